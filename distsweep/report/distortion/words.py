"""Sentences on distortion for the summary, each computed from the numbers of one take."""

from __future__ import annotations

import numpy as np

from distsweep.report import reliability
from distsweep.results import Results, Rung, Take
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
    return (
        f"{wording.percent(float(rung.thd_percent[at]))} ({wording.decibels(worst.value)}) "
        f"at {wording.frequency(worst.frequency_hz)}"
    )


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


def lowest_drive(_results: Results, take: Take) -> str | None:
    """What the lowest drive shows, which is often only noise."""
    if len(take.rungs) < 2:
        return None
    rung = min(take.rungs, key=lambda r: r.drive_dbfs)
    name = wording.rung_name(rung)
    covered = reliability.coverage(take.frequency_hz, reliability.thd_reliable(rung))
    if covered is None:
        return f"At the lowest drive, {name}, no THD is reliable; {_bound_or_nothing(take, rung)}."
    return (
        f"At the lowest drive, {name}, {wording.share_of(covered.share)} of the frequencies have "
        "reliable THD; elsewhere noise blurs or hides it."
    )


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
