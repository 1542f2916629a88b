"""Sentences on distortion for the summary, each computed from the numbers of one take."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.report import reliability
from distsweep.report.distortion import interface
from distsweep.results import Results, Rung, Take, ThdThirdOctave
from distsweep.units import db_to_percent
from distsweep.words import wording

MIDDLE_BAND_HZ = (100.0, 10000.0)
"""Band of the headline THD: chosen because most loudspeakers are meant to work in all of it."""


def _worst(take: Take, rung: Rung, low_hz: float, high_hz: float) -> str | None:
    """Write the highest reliable THD of a band and its place; None when there is none."""
    f = take.frequency_hz
    flags = reliability.thd_reliable(rung) & reliability.inside(f, low_hz, high_hz)
    worst = reliability.highest(f, rung.thd_db, flags)
    if worst is None:
        return None
    at = int(np.argmin(np.abs(f - worst.frequency_hz)))
    ends_db = [float(e[at]) if e.size else np.nan for e in (rung.thd_low_db, rung.thd_high_db)]
    return f"{_written(worst.value, ends_db)} at {wording.frequency(worst.frequency_hz)}"


def _written(level_db: float, ends_db: list[float]) -> str:
    """Write a THD in percent and dB, both rounded to what is known."""
    percent = wording.known_percent(*(float(db_to_percent(one)) for one in (level_db, *ends_db)))
    return f"{percent} ({wording.known_decibels(level_db, *ends_db, about='')})"


def middle_band(_results: Results, take: Take) -> str:
    """Highest reliable THD of the loudest rung in `MIDDLE_BAND_HZ`."""
    rung = reliability.loudest_rung(take)
    low, high = MIDDLE_BAND_HZ
    worst = _worst(take, rung, low, high)
    band = wording.frequency_range(low, high)
    if worst is None:
        bound = _bound(take, rung)
        return f"From {band}, no THD of that level is reliable" + (f"; {bound}." if bound else ".")
    flags = reliability.thd_reliable(rung)[reliability.inside(take.frequency_hz, low, high)]
    share = float(np.mean(flags))
    known = (
        ""
        if share > 0.995
        else f" ({wording.share_of(share)} of that band is reliable at this level)"
    )
    return f"At that level, the highest reliable THD from {band} was {worst}{known}."


def headline(take: Take) -> str:
    """Highest reliable THD of the loudest rung in `MIDDLE_BAND_HZ`, for a line on a take."""
    worst = _worst(take, reliability.loudest_rung(take), *MIDDLE_BAND_HZ)
    band = wording.frequency_range(*MIDDLE_BAND_HZ)
    percent = worst.partition(" (")[0] if worst else ""
    return f"THD from {band} up to {percent}" if worst else f"no reliable THD from {band}"


def bass(_results: Results, take: Take) -> str | None:
    """Highest reliable THD of the loudest rung below `MIDDLE_BAND_HZ`."""
    low = float(take.frequency_hz[0])
    if low >= MIDDLE_BAND_HZ[0] * 0.9:
        return None
    worst = _worst(take, reliability.loudest_rung(take), low, MIDDLE_BAND_HZ[0] * 0.999)
    if worst is None:
        return f"Below {wording.frequency(MIDDLE_BAND_HZ[0])}, no THD of that level is reliable."
    return f"Below {wording.frequency(MIDDLE_BAND_HZ[0])} it reached {worst}."


def reliable_ends(_results: Results, take: Take) -> str:
    """From where to where the loudest rung's THD is reliable."""
    flags = reliability.thd_reliable(reliability.loudest_rung(take))
    covered = reliability.coverage(take.frequency_hz, flags)
    if covered is None:
        return "At no frequency is that level's THD reliable."
    gaps = ", with gaps" if covered.pieces > 1 else ""
    band = wording.frequency_range(covered.low_hz, covered.high_hz)
    highest = float(take.frequency_hz[-1])
    ending = (
        f"; further up, the 2nd harmonic would lie above the measured {wording.frequency(highest)}"
        if covered.high_hz * 2.05 > highest > covered.high_hz * 1.05
        else ""
    )
    return f"THD of that level is reliable from {band}{gaps}{ending}."


def lowest_drive(results: Results, take: Take) -> str | None:
    """What the lowest drive shows, which is often only noise."""
    if len(take.rungs) < 2:
        return None
    rung = min(take.rungs, key=lambda r: r.drive_dbfs)
    name = wording.rung_name(rung)
    covered = reliability.coverage(take.frequency_hz, reliability.thd_reliable(rung))
    if covered is None:
        return f"At the lowest drive, {name}, no THD is reliable; {_bound_or_nothing(take, rung)}."
    placed = any(results.takes[n] is take for one in results.reproducibility for n in one.takes)
    hides = interface.what_hides(take)
    hides = f"{hides.rstrip(',')}, or where the microphone stood," if placed else hides
    return (
        f"At the lowest drive, {name}, {wording.share_of(covered.share)} of the frequencies have "
        f"reliable THD; elsewhere {hides} blurs or hides it."
    )


def averages(_results: Results, take: Take) -> str | None:
    """Down to which drive the averages over thirds of an octave are known, and what they are."""
    known = []
    for rung in take.rungs:
        bands = _thirds(rung)
        if bands is not None and is_reliable(bands.low_db, bands.high_db).all():
            known.append((rung, bands))
    if not known or len(take.rungs) < 2:
        return None
    rung, bands = min(known, key=lambda pair: pair[0].drive_dbfs)
    at = int(np.argmax(bands.thd_db))
    worst = _written(float(bands.thd_db[at]), [float(bands.low_db[at]), float(bands.high_db[at])])
    low, high = (float(end) for end in bands.frequency_hz[[0, -1]])
    return (
        "Averaged over thirds of an octave, THD from "
        f"{wording.frequency_range(low, high)} is known within 1.5 dB "
        f"down to {wording.rung_name(rung)}; the highest there is {worst}, at "
        f"{wording.frequency(float(bands.frequency_hz[at]))}."
    )


def _thirds(rung: Rung) -> ThdThirdOctave | None:
    """Averages in the middle band that have a high end; None without any, or where it clipped."""
    third = rung.thd_third_octave
    if third is None or rung.clipped:
        return None
    flags = reliability.inside(third.frequency_hz, *MIDDLE_BAND_HZ) & np.isfinite(third.high_db)
    parts = (third.frequency_hz, third.thd_db, third.low_db, third.high_db)
    return ThdThirdOctave(*(part[flags] for part in parts)) if flags.any() else None


def hidden(_results: Results, take: Take) -> str | None:
    """Upper bound at the highest drive without reliable THD, where no other sentence gives it."""
    hidden = [r for r in take.rungs if not (r.clipped or reliability.thd_reliable(r).any())]
    named = (reliability.loudest_rung(take), min(take.rungs, key=lambda r: r.drive_dbfs))
    rung = max(hidden, key=lambda r: r.drive_dbfs, default=None)
    if rung is None or any(rung is other for other in named):
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
    bands = _thirds(rung)
    if bands is not None:
        f, bound_db, over = bands.frequency_hz, bands.high_db, "averaged over thirds of an octave, "
    else:
        f, bound_db, over = take.frequency_hz, reliability.thd_bound_db(rung), ""
    flags = reliability.inside(f, *MIDDLE_BAND_HZ) & np.isfinite(bound_db)
    worst = reliability.highest(f, bound_db, flags)
    if worst is None or worst.value >= 0.0:
        return None
    band = wording.frequency_range(*(float(end) for end in f[flags][[0, -1]]))
    most = float(db_to_percent(worst.value))
    bound = wording.known_percent(most, 0.0, most)
    if over:
        return f"{over}it is {bound} from {band}"
    return f"from {band} it is {bound}: noise hides or blurs anything smaller"
