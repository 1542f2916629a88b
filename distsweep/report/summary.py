"""The summary: a few plain sentences, each computed from the numbers of one take."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from distsweep.report import reliability
from distsweep.report.compression_sentences import ladder_sentences, staircase_sentences
from distsweep.report.limiter_agreement import disagreements
from distsweep.results import Background, Results, Rung, Take
from distsweep.units import db_to_percent
from distsweep.words import wording

MIDDLE_BAND_HZ = (100.0, 10000.0)
"""Band of the headline THD: chosen because most loudspeakers are meant to work in all of it."""

STEADY_DB = 0.2  # chosen: what careful repeats of one sweep in a room usually stay within


def summary_sentences(results: Results, take: Take) -> list[str]:
    """Sentences on a take, most important first; never empty."""
    if take.staircase:
        return staircase_sentences(take)
    if not take.rungs:
        return ["This take holds no ladder, so there is no curve against frequency."]
    writers: list[Callable[[Results, Take], str | None]] = [
        _level, _thd_middle, _thd_bass, _reliable_ends, _quietest, _hidden, _gain, _return_check,
        _clipping, _hum,
    ]  # fmt: skip
    told = [text for write in writers if (text := write(results, take))]
    return [*told, *ladder_sentences(take), *disagreements(results, take)]


def _loudest(take: Take) -> Rung:
    return take.rungs[reliability.loudest_index(take)]


def _which(take: Take) -> str:
    louder = max(rung.drive_dbfs for rung in take.rungs) > _loudest(take).drive_dbfs
    return "highest drive that did not clip" if louder else "highest drive"


def _level(results: Results, take: Take) -> str:
    rung = _loudest(take)
    name = wording.drive(rung.drive_dbfs)
    if rung.spl_db is None or not math.isfinite(rung.spl_db):
        if wording.level_unit(take) == "dB SPL":
            return (
                f"The {_which(take)} was played at {name}. No level in dB SPL is stated for it: of "
                "the band that levels are averaged over, nothing was measured."
            )
        return (
            f"The {_which(take)} was {name}. Nothing was calibrated, so levels are in "
            "dBFS at the recorder and say nothing of sound pressure; THD needs no calibration."
        )
    band = results.conditions.level_band_hz
    over = _band_words(band, take)
    # A near-field take has a distance of its own, which the session does not hold.
    distance = results.conditions.distance_m if take.position == "axis" else None
    where = f" at {distance:g} m" if isinstance(distance, int | float) else ""
    return (
        f"At the {_which(take)} ({name}) the loudspeaker gave "
        f"{wording.decibels(rung.spl_db, 'dB SPL')}{where}{over}."
    )


def _band_words(band: object, take: Take) -> str:
    """Name the band that a level is the mean over: what of it was measured."""
    if isinstance(band, list | tuple) and len(band) == 2:
        low, high = band
        if isinstance(low, int | float) and isinstance(high, int | float):
            low = max(low, float(take.frequency_hz[0]))
            high = min(high, float(take.frequency_hz[-1]))
            return f", the mean from {wording.frequency_range(low, high)}"
    return ""


def _worst(take: Take, rung: Rung, low_hz: float, high_hz: float) -> str | None:
    """Write the highest reliable THD of a band and its place; None when there is none."""
    f = take.frequency_hz
    flags = reliability.thd_reliable(rung) & reliability.inside(f, low_hz, high_hz)
    worst = reliability.highest(f, rung.thd_db, flags)
    if worst is None:
        return None
    at = int(np.argmin(np.abs(f - worst.frequency_hz)))
    return (
        f"{wording.percent(float(rung.thd_percent[at]))} ({wording.decibels(worst.value)}) "
        f"at {wording.frequency(worst.frequency_hz)}"
    )


def _thd_middle(_results: Results, take: Take) -> str:
    rung = _loudest(take)
    low, high = MIDDLE_BAND_HZ
    worst = _worst(take, rung, low, high)
    band = wording.frequency_range(low, high)
    if worst is None:
        bound = _bound(take, rung)
        return f"From {band}, no THD of that level is reliable" + (f"; {bound}." if bound else ".")
    flags = reliability.thd_reliable(rung)[reliability.inside(take.frequency_hz, low, high)]
    share = float(np.mean(flags))
    known = "" if share > 0.995 else f" ({_share(share)} of that band is reliable at this level)"
    return f"At that level, the highest reliable THD from {band} was {worst}{known}."


def _thd_bass(_results: Results, take: Take) -> str | None:
    low = float(take.frequency_hz[0])
    if low >= MIDDLE_BAND_HZ[0] * 0.9:
        return None
    worst = _worst(take, _loudest(take), low, MIDDLE_BAND_HZ[0] * 0.999)
    if worst is None:
        return f"Below {wording.frequency(MIDDLE_BAND_HZ[0])}, no THD of that level is reliable."
    return f"Below {wording.frequency(MIDDLE_BAND_HZ[0])} it reached {worst}."


def _reliable_ends(_results: Results, take: Take) -> str:
    found = reliability.coverage(take.frequency_hz, reliability.thd_reliable(_loudest(take)))
    if found is None:
        return "At no frequency is that level's THD reliable."
    gaps = ", with gaps" if found.pieces > 1 else ""
    band = wording.frequency_range(found.low_hz, found.high_hz)
    highest = float(take.frequency_hz[-1])
    ending = (
        f"; further up, the 2nd harmonic would lie above the measured {wording.frequency(highest)}"
        if found.high_hz * 2.05 > highest > found.high_hz * 1.05
        else ""
    )
    return f"THD of that level is reliable from {band}{gaps}{ending}."


def _quietest(_results: Results, take: Take) -> str | None:
    """What the lowest drive shows, which is often only noise."""
    if len(take.rungs) < 2:
        return None
    rung = min(take.rungs, key=lambda r: r.drive_dbfs)
    name = wording.rung_name(rung)
    found = reliability.coverage(take.frequency_hz, reliability.thd_reliable(rung))
    if found is None:
        return f"At the lowest drive, {name}, no THD is reliable; {_bound_or_nothing(take, rung)}."
    return (
        f"At the lowest drive, {name}, {_share(found.share)} of the frequencies have reliable "
        "THD; elsewhere noise blurs or hides it."
    )


def _hidden(_results: Results, take: Take) -> str | None:
    """What the highest drive without reliable THD still bounds, if it is not told already."""
    hidden = [r for r in take.rungs if not (r.clipped or reliability.thd_reliable(r).any())]
    told = (_loudest(take), min(take.rungs, key=lambda r: r.drive_dbfs))
    rung = max(hidden, key=lambda r: r.drive_dbfs, default=None)
    if rung is None or any(rung is other for other in told):
        return None
    return (
        f"The highest drive without any reliable THD is {wording.rung_name(rung)}; "
        f"{_bound_or_nothing(take, rung)}."
    )


def _bound_or_nothing(take: Take, rung: Rung) -> str:
    if not np.isfinite(rung.thd_floor_db).any():
        return "how far it stands above the noise is not known"
    return _bound(take, rung) or "it is hidden, not low"


def _bound(take: Take, rung: Rung) -> str | None:
    """Say what a level without reliable THD does not exceed in the middle band, if that is news.

    A bound of 100 % or more says nothing of a loudspeaker, so none is given.
    """
    f, bound_db = take.frequency_hz, reliability.thd_bound_db(rung)
    flags = reliability.inside(f, *MIDDLE_BAND_HZ) & np.isfinite(bound_db)
    worst = reliability.highest(f, bound_db, flags)
    if worst is None or worst.value >= 0.0:
        return None
    low, high = f[flags][[0, -1]]
    return (
        f"from {wording.frequency_range(float(low), float(high))} it is at most about "
        f"{wording.percent(float(db_to_percent(worst.value)))}: noise hides or blurs "
        "anything smaller"
    )


def _gain(_results: Results, take: Take) -> str:
    if len(take.rungs) < 2:
        return "Compression cannot be told: it takes two levels or more."
    if take.compression is None or reliability.reference_index(take) is None:
        return (
            "Compression cannot be told: no level that did not clip is known to stand clear of "
            "the noise nearly everywhere, so there is no reference."
        )
    index = reliability.loudest_index(take)
    name = wording.drive(take.rungs[index].drive_dbfs)
    if index == reliability.reference_index(take):
        return f"Compression cannot be told: {name} is itself the reference."
    flags = reliability.gain_change_reliable(take, index)
    gain = take.compression.gain_change_db[index]
    deepest = reliability.highest(take.frequency_hz, -gain, flags)
    if deepest is None:
        return f"No gain change at {name} stands clear of the noise."
    middle = float(np.median(gain[flags]))
    reference = take.compression.reference_drive_dbfs
    assert reference is not None  # reference_index found it
    return (
        f"Against {wording.drive(reference)}, the gain at {name} changed by "
        f"{wording.decibels(-deepest.value)} at worst, "
        f"at {wording.frequency(deepest.frequency_hz)}, "
        f"and by {wording.decibels(middle)} in the median of all frequencies that can be judged."
    )


def _return_check(_results: Results, take: Take) -> str | None:
    change = take.return_check_db
    if change is None or not math.isfinite(change):
        return "There is no return rung, so nothing tells whether anything changed on the way."
    side = "higher" if change > 0 else "lower"
    moved = f"{abs(change):.2f} dB {side}" if abs(change) >= 0.005 else "at the same level"
    verdict = (
        "loudspeaker, room and chain held still to that degree."
        if abs(change) <= STEADY_DB
        else "something changed on the way, and gain changes of that size may come from it."
    )
    return f"The return rung, which is the first rung repeated last, came back {moved}: {verdict}"


def _clipping(_results: Results, take: Take) -> str | None:
    clipped = [rung for rung in take.rungs if rung.clipped]
    if not clipped:
        return None
    names = ", ".join(wording.drive(rung.drive_dbfs) for rung in clipped)
    flags = np.array([reliability.thd_reliable(rung) for rung in clipped])
    if not flags.any():
        return f"The recording clipped at {names}: no THD of that counts as reliable."
    summed = np.array([rung.orders_summed > 0 for rung in clipped])
    return (
        f"The recording clipped at {names}: what the clipping fell on does not count, "
        f"and THD is reliable at {_share(float(np.mean(flags[summed])))} of the frequencies there."
    )


def _hum(results: Results, take: Take) -> str | None:
    background = background_of(results, take)
    if background is None:
        return None
    hum = [tone for tone in background.hum if math.isfinite(tone.level_db)]
    if not hum:
        return "No mains hum was found in the background noise."
    worst = max(hum, key=lambda tone: tone.level_db)
    lines = len(hum)
    return (
        f"The background noise holds {lines} {'line' if lines == 1 else 'lines'} of mains hum, the "
        f"strongest at {wording.frequency(worst.frequency_hz)} with "
        f"{wording.decibels(worst.level_db, wording.level_unit(take))}."
    )


def background_of(results: Results, take: Take) -> Background | None:
    """Background of a take, or the session's when the take has none."""
    return take.background or results.background


def _share(share: float) -> str:
    """Write a share; never "100 %" or "0 %" for what is not quite all or nothing."""
    if share >= 0.995:
        return "all but a trace" if share < 1.0 else "all"
    return "under 1 %" if share < 0.01 else f"{100.0 * share:.0f} %"
