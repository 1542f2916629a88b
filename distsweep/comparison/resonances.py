"""Resonances of two results held against each other: same, moved, gone, new, or not to be told."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.comparison.beyond_doubt import HALF_WIDTH_DEVIATIONS
from distsweep.comparison.listed_modes import Mode, leading_takes, listed_modes
from distsweep.comparison.mode_change import MOST_SHIFT, ModeChange, mode_change
from distsweep.comparison.mode_curves import TwoCurves, product_curves, response_curves
from distsweep.comparison.mode_spill import MovedMode, with_spill
from distsweep.comparison.mode_temperature import AirShift, air_shift
from distsweep.comparison.record import ResonanceChange
from distsweep.comparison.resonance_words import Circumstances, sentence
from distsweep.comparison.unlisted_modes import unlisted_modes
from distsweep.results import Results, Take

BEYOND_DOUBT = 4.0
"""Standard deviations from which on a change is beyond doubt (chosen: of a hundred comparisons of
five modes each, with three statements tried of each, a tenth of one errs)."""

REPEATABILITY = 0.001
"""Of a mode's frequency, one standard deviation of a difference between two sessions that differ by
nothing but that they are two (chosen, nobody measured it: stiffness of wood, glue and cones changes
by tenths of a percent with a kelvin, from memory, and frequency by half of that; a clock of 50 ppm
adds 0.005 %)."""

SHAPE_SHARE, NARROW_Q = 0.1, 16.0
"""Part of a shift that the shape of a single mode may miss, one standard deviation; of wider modes
than `NARROW_Q`, which fill the range that is looked at, more by NARROW_Q/Q (chosen: of simulated
modes moved by 2 %, tests/benchmarks/bench_resonance_changes.py measured shifts that miss the truth
by 0.3 % on average, and of three radiated ones of Q 8 and 9 by 0.4 to 0.6 %)."""

LISTED_RADIATED, LISTED_EXCITED = 0.0015, 0.004
"""One standard deviation of a listed frequency: half of `SHOWN_UNCERTAINTY` and of
`PRODUCTS_UNCERTAINTY` in `distsweep.analysis.resonance.find`, which 95 of 100 of 1590 simulated
ones keep."""

REACH_WIDTHS, LEAST_REACH_OCTAVES, MOST_REACH_OCTAVES = 2.5, 0.2, 0.4
"""Curves are looked at so many of a mode's widths to either side (chosen: a shift by 6 % stays
inside, and neighbours outside for the most part)."""

MOST_Q = 60.0
"""Sweeps of some seconds show no narrower mode (chosen: windows are 64 periods long)."""

LEAST_SEEN = 6.0
"""A mode that stands out of the noise by fewer standard deviations is not seen (chosen: its shape
has six unknowns)."""

HALF = 1.0 / 3.0
"""Imbalance of a mode that is half as strong on the other side, (1 − ½)/(1 + ½), by definition of
b. Only what is less than half of what it was has gone (chosen: drive and limiters change less)."""

LEAST_EXPLAINED = {"radiated": 0.9, "excited": 0.75}
"""Of a difference of curves in a place where no search lists a mode, one that moved must explain so
much (chosen: the comb of a microphone that was moved differs all over; noise takes part of what
harmonics differ by, and fast sweeps bend their peaks)."""

LEAST_Q = 6.0
"""And it must be so narrow (chosen: combs' notches and crossovers are wider)."""

WELL_KNOWN = 0.01
"""Standard deviation of a shift, up to which "same" is said rather than "cannot tell" (chosen: a
mode is a few percent wide)."""


@dataclass(frozen=True)
class Judged:
    """A mode with what curves and lists say of it."""

    mode: Mode
    change: ModeChange | None
    air: AirShift | None
    shift: float
    error: float
    deviations: float
    state: str


def resonance_changes(
    first: Results, other: Results, *, source: int = 1, beyond: float = BEYOND_DOUBT
) -> list[ResonanceChange]:
    """Hold the resonances of one results against those of the first.

    Both sides' curves around each mode that either lists are explained by one mode that may have
    moved (`distsweep.comparison.mode_shift`). What the lists alone say proves nothing: a mode that
    one search found may have escaped the other's.

    Parameters
    ----------
    source : number of ``other`` among the sources.
    beyond : standard deviations from which on a mode has moved, gone or come.

    Returns
    -------
    Those that changed, surest first, then those that cannot be told, then the same.
    """
    air = air_shift(first, other)
    judged: list[Judged] = []
    moved: list[MovedMode] = []
    modes = listed_modes(first, other)
    left = list(modes)
    while left:
        tried = [_judge(mode, first, other, air, moved, beyond) for mode in left]
        best = max(tried, key=lambda one: (one.state in CHANGED, one.deviations))
        if best.state not in CHANGED:
            judged += tried
            break
        judged.append(best)
        if best.change is not None:
            moved.append(MovedMode.of(best.mode.kind, best.change, best.state))
        left = [mode for mode in left if mode is not best.mode]
    judged += _unlisted(first, other, air, moved, modes, beyond)
    return [_record(one, source, first, other) for one in sorted(judged, key=_rank)]


def _unlisted(
    first: Results,
    other: Results,
    air: AirShift,
    moved: list[MovedMode],
    listed: Sequence[Mode],
    beyond: float,
) -> list[Judged]:
    """Return modes that no search lists, and that moved: one by one, the surest first."""
    found: list[Judged] = []
    takes = leading_takes(first, other)
    while takes is not None:
        tried = [
            _judge(mode, first, other, air, moved, beyond)
            for mode in unlisted_modes(*takes, moved, listed)
        ]
        sure = [
            one for one in tried
            if one.state == "moved" and one.change is not None
            and one.change.explained >= LEAST_EXPLAINED[one.mode.kind] and one.change.q >= LEAST_Q
        ]  # fmt: skip
        if not sure:
            break
        best = max(sure, key=lambda one: one.deviations)
        assert best.change is not None
        found.append(best)
        moved.append(MovedMode.of(best.mode.kind, best.change, best.state))
    return found


INTERVAL = (-HALF_WIDTH_DEVIATIONS, 0.0, HALF_WIDTH_DEVIATIONS)
"""Ends and middle of a 95 % interval in deviations."""

CHANGED = ("moved", "gone", "new")
"""States that say that something has changed."""


def _rank(one: Judged) -> tuple[int, float]:
    kinds = (CHANGED, ("cannot tell",), ("same",))
    return next(n for n, states in enumerate(kinds) if one.state in states), -one.deviations


def _judge(
    mode: Mode, first: Results, other: Results, air: AirShift,
    moved: Sequence[MovedMode], beyond: float,
) -> Judged:  # fmt: skip
    changes = _changes(mode, mode.takes(first, other), moved)
    change = changes[0] if changes else None
    of_air = air if mode.follows_air else None
    shift, error = _estimate(mode, changes)
    if change is None or change.seen < LEAST_SEEN:
        return Judged(mode, change, of_air, shift, error, 0.0, "cannot tell")
    away = min(abs(change.shift - s) for s in _air_shifts(mode, air, change.shift))
    sigma = math.hypot(change.error, REPEATABILITY, air.error if mode.follows_air else 0.0)
    z = min(away / sigma, change.moved)
    near = abs(change.shift) <= MOST_SHIFT
    # Curves and lists together must show it, too: they may contradict each other.
    left = min(abs(shift - s) for s in _air_shifts(mode, air, shift))
    if (
        near
        and z >= beyond
        and left > HALF_WIDTH_DEVIATIONS * error
        and not (mode.listed_shift is None and mode.sides and change.rather_uneven)
    ):
        return Judged(mode, change, of_air, shift, error, z, "moved")
    b, b_error = change.imbalance, max(change.imbalance_error, 1e-6)
    gone = min(abs(b) / b_error, change.uneven)
    less = abs(b) - 2.0 * b_error > HALF and abs(b) < 2.0
    if mode.gone_if_weaker(b) and less and gone >= beyond:
        return Judged(mode, change, of_air, shift, error, gone, "gone" if b > 0.0 else "new")
    known = error <= WELL_KNOWN and near
    return Judged(mode, change, of_air, shift, error, z, "same" if known else "cannot tell")


def _air_shifts(mode: Mode, air: AirShift, shift: float) -> list[float]:
    """Return the shifts that are none: by the air's temperatures, or, where it is not known whether
    a mode follows them, none at all and all between."""
    if mode.follows_air:
        return [air.shift]
    low, high = sorted((0.0, air.shift))
    return [min(max(shift, low), high)]


def _changes(
    mode: Mode, takes: tuple[Take, Take] | None, moved: Sequence[MovedMode]
) -> list[ModeChange]:
    """Return what the curves say; of a radiated mode the products and the response apart.

    What knows its shift best comes first, and what does not show it is left out if something does.
    """
    if takes is None:
        return []
    q = min(mode.q, MOST_Q)
    reach = min(max(REACH_WIDTHS / (q * math.log(2.0)), LEAST_REACH_OCTAVES), MOST_REACH_OCTAVES)
    band_hz = (mode.near_hz * 2.0**-reach, mode.near_hz * 2.0**reach)
    radiated = mode.kind == "radiated"
    groups: list[list[TwoCurves]] = [product_curves(*takes, *band_hz, radiated=radiated)]
    if radiated:
        groups.append(response_curves(*takes, *band_hz))
    fitted = [
        mode_change(
            with_spill(curves, mode.kind, moved), mode.near_hz, q, expected=mode.listed_shift or 0.0
        )
        for curves in groups
    ]
    changes = [change for change in fitted if change is not None]
    seen = [change for change in changes if change.seen >= LEAST_SEEN] or changes
    return sorted(seen, key=lambda change: change.error)


def _estimate(mode: Mode, changes: Sequence[ModeChange]) -> tuple[float, float]:
    """Return the shift and its standard deviation, from curves and lists; NaN if none tells it.

    The mean is weighted by variances; where its parts differ by more than these explain, its
    deviation is larger by the root of χ² over the degrees of freedom (Birge, Phys. Rev. 40, 1932).
    """
    share = SHAPE_SHARE * max(1.0, NARROW_Q / mode.q)
    parts = [
        (change.shift, math.hypot(change.error, REPEATABILITY, share * change.shift))
        for change in changes
        if abs(change.shift) <= MOST_SHIFT
    ]
    if mode.listed_shift is not None:
        one = LISTED_RADIATED if mode.kind == "radiated" else LISTED_EXCITED
        parts.append((mode.listed_shift, math.hypot(one, one)))
    if not parts:
        return math.nan, math.nan
    shifts, weights = np.array([p[0] for p in parts]), np.array([p[1] for p in parts]) ** -2.0
    mean = float(np.sum(weights * shifts) / np.sum(weights))
    chi_squared = float(np.sum(weights * (shifts - mean) ** 2))
    ratio = math.sqrt(max(1.0, chi_squared / max(len(parts) - 1, 1)))
    return mean, ratio / math.sqrt(float(np.sum(weights)))


def _record(one: Judged, source: int, first: Results, other: Results) -> ResonanceChange:
    mode, air = one.mode, one.air
    shift = one.shift - (air.shift if air is not None else 0.0)
    error = math.hypot(one.error, air.error) if air is not None else one.error
    percent: list[float | None] = [None] * 3
    if math.isfinite(shift) and one.state not in ("gone", "new"):
        percent = [100.0 * math.expm1(shift + end * error) for end in INTERVAL]
    first_hz, other_hz = mode.frequencies(one.change, one.state, one.shift)
    fitted_q = None if mode.sides or one.change is None else one.change.q
    record = ResonanceChange(
        state=one.state, kind=mode.kind, source=source,
        frequency_hz=first_hz, other_hz=other_hz,
        q=fitted_q if mode.first is None else mode.first.q,
        other_q=fitted_q if mode.other is None else mode.other.q,
        low_percent=percent[0], change_percent=percent[1], high_percent=percent[2],
        at_one_temperature=air is not None and air.noted,
        deviations=one.deviations,
    )  # fmt: skip
    return replace(record, sentence=sentence(record, _circumstances(one, first, other)))


def _circumstances(one: Judged, first: Results, other: Results) -> Circumstances:
    takes = one.mode.takes(first, other) or ()
    reflected = any(t.decay_map is not None and t.decay_map.reflection_s is not None for t in takes)
    return Circumstances(
        follows_air=one.mode.follows_air,
        temperatures_c=(first.conditions.temperature_c, other.conditions.temperature_c),
        by_response=one.change is not None and one.change.orders == (1,) and reflected,
        compared=one.change is not None,
        seen=one.change is not None and one.change.seen >= LEAST_SEEN,
        response=one.change is not None and one.change.orders == (1,),
        is_listed=bool(one.mode.sides),
    )
