"""A stimulus that was found in a sound file of another program: the same sweep, once or repeated.

It has no markers and no silence kept for the background: a recording is placed by the sweeps alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.errors import InputError
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.ridge import look
from distsweep.stimulus.sidecar import PlayedRung
from distsweep.stimulus.sweep import Sweep
from distsweep.stimulus.sweep_fit import STRAIGHT_RAD, FittedSweep, fit_sweep
from distsweep.units import FloatArray, ratio_to_db

BAND_FROM, BAND_UNTIL = 1.5, 0.95
"""The measured band begins and ends at these ratios of the frequencies between which the sweep is
at its full level (chosen: a foreign sweep does not run past its band, and its abrupt ends ring:
between these a flat loudspeaker's fundamental comes out within 0.3 dB at the lower end, and within
0.06 dB at the upper)."""

ORDER = 10
"""Highest order that is separated (chosen: as recipes have it)."""

DRIVES_DBFS = -120.0, 20.0
"""Lowest and highest drive of a found sweep (chosen: 24 bits end below, and files of floating-point
samples may pass full scale, but by no more than a slip of a mixer)."""

LEAST_S, FILE_RATES_HZ = 1.0, (8000, 768000)
"""Shortest file, and lowest and highest rate of one, in which a sweep is sought (chosen: what
converters have had; recipes' shortest sweeps last longer)."""

SAME_LEVEL_DB = 0.05
"""Two sweeps are equally loud within this (chosen: ladders rise by whole or half decibels)."""

SAME_SWEEP, SAME_PHASE_RAD, SAME_LENGTH = 1e-4, 0.1, 0.05
"""Two sweeps are one within these shares of rate constant and length, and this phase (chosen: the
first is the accuracy that is asked of them, and a fit is good to 1e-6 and some thousandths; where a
fade begins is known to a few periods)."""

NOT_A_SWEEP = {
    "linear sweep": "a linear sweep: its harmonics cannot be told apart in time",
    "falling sweep": "a falling sweep: its harmonics follow the sound instead of preceding it",
    "other sweep": "a sweep that rises neither exponentially nor linearly",
    "tones": "tones, and no sweep",
    "noise": "noise, and no sweep",
    "sound": "music, talk or another sound, and no sweep",
}
"""What a file holds that cannot serve, by `distsweep.stimulus.ridge.look`'s kinds."""


@dataclass(frozen=True)
class FoundFile:
    """The sound file in which sweeps were found; rungs in the order played."""

    name: str
    sha256: str
    samples: int
    rungs: tuple[PlayedRung, ...]


@dataclass(frozen=True)
class FoundStimulus:
    """A ladder whose sweeps were found; ``recipe`` says what one would have asked for them."""

    recipe: LadderRecipe
    sweep: Sweep
    file: FoundFile


def find_stimulus(
    samples: FloatArray, rate_hz: int, *, name: str, sha256: str, where: str
) -> FoundStimulus:
    """Find the exponential sweep of a sound file, every time it is played.

    Parameters
    ----------
    samples : one channel, full scale 1, shape ``(samples,)``.
    name : the file's name; ``where`` names it in messages.

    Raises
    ------
    InputError
        It holds none, or several that differ, or one over too narrow a band.
    """
    if not FILE_RATES_HZ[0] <= rate_hz <= FILE_RATES_HZ[1] or len(samples) < LEAST_S * rate_hz:
        raise InputError(
            f"{where}: holds {len(samples) / rate_hz:.2g} s at {rate_hz} Hz: give the sound file of"
            f" a sweep of {LEAST_S:g} s or more, at {FILE_RATES_HZ[0]} to {FILE_RATES_HZ[1]} Hz"
        )
    heard = look(samples, rate_hz)
    if not heard.sweeps:
        raise InputError(
            f"{where}: is {NOT_A_SWEEP[heard.kind]}: give the sound file of an exponential sweep,"
            " or a stimulus's sidecar"
        )
    fitted: list[FittedSweep] = []
    for number, rough in enumerate(heard.sweeps):
        later = heard.sweeps[number + 1 :]
        latest = round(later[0].first_s * rate_hz) if later else len(samples)
        earliest = fitted[-1].last if fitted else 0
        fitted.append(fit_sweep(samples, rate_hz, rough, earliest=earliest, latest=latest))
    best = max(fitted, key=lambda one: one.amplitude)
    _check_law(best, where)
    for other in fitted:
        _check_same(best, other, where)
    sweep = _sweep(best, rate_hz)
    starts = [round(one.time_of_s(sweep.start_hz) * rate_hz) for one in fitted]
    levels_dbfs = [float(ratio_to_db(one.amplitude)) for one in fitted]
    if not DRIVES_DBFS[0] <= min(levels_dbfs) <= max(levels_dbfs) <= DRIVES_DBFS[1]:
        raise InputError(
            f"{where}: its sweeps have levels up to {max(levels_dbfs):.0f} dBFS: give the file that"
            " was played, with samples up to 1"
        )
    rungs = _rungs(levels_dbfs, starts)
    return FoundStimulus(
        recipe=_recipe(sweep, rungs, name, where=where, samples=len(samples)),
        sweep=sweep,
        file=FoundFile(name, sha256, len(samples), rungs),
    )


def _check_law(fitted: FittedSweep, where: str) -> None:
    if fitted.misfit_rad > STRAIGHT_RAD:
        raise InputError(
            f"{where}: its sweep rises nearly, but not exactly, exponentially (its phase departs by"
            f" {np.degrees(fitted.misfit_rad):.0f}°): give the sound file that was played"
        )


def _check_same(one: FittedSweep, other: FittedSweep, where: str) -> None:
    """Refuse sweeps in one file that differ in rate constant, frequencies or phase."""
    turned = np.angle(np.exp(1j * (one.phase_rad - other.phase_rad)))
    lengths = [fit.full_last - fit.full_first for fit in (one, other)]
    if (
        abs(other.rate_constant_s / one.rate_constant_s - 1.0) > SAME_SWEEP
        or abs(turned) > SAME_PHASE_RAD
        or abs(lengths[1] / lengths[0] - 1.0) > SAME_LENGTH
    ):
        raise InputError(
            f"{where}: holds sweeps that differ: give a file for each, with its own recording"
        )


def _sweep(fitted: FittedSweep, rate_hz: int) -> Sweep:
    places = fitted.first, fitted.full_first, fitted.full_last, fitted.last
    start_hz, low_hz, high_hz, stop_hz = (
        float(fitted.frequency_at_hz(place / rate_hz)) for place in places
    )
    return Sweep(
        rate_hz=rate_hz,
        start_hz=start_hz,
        stop_hz=stop_hz,
        rate_constant_s=fitted.rate_constant_s,
        samples=fitted.last - fitted.first,
        full_from_hz=low_hz,
        full_to_hz=high_hz,
        phase_rad=fitted.phase_rad,
    )


def _rungs(levels_dbfs: Sequence[float], starts: Sequence[int]) -> tuple[PlayedRung, ...]:
    """Tell levels, repeats of one, and the first that comes back at the end."""
    drives: list[float] = []
    for level in levels_dbfs:
        drives.append(next((d for d in drives if abs(d - level) < SAME_LEVEL_DB), round(level, 3)))
    returns = len(drives) > 2 and drives[-1] == drives[0] != drives[-2]
    rungs = []
    for number, (drive, start) in enumerate(zip(drives, starts, strict=True)):
        last = returns and number == len(drives) - 1
        repeat = 0 if last else drives[:number].count(drive)
        rungs.append(PlayedRung(drive, "return" if last else "rung", repeat, start))
    return tuple(rungs)


def _recipe(
    sweep: Sweep, rungs: Sequence[PlayedRung], name: str, *, where: str, samples: int
) -> LadderRecipe:
    band_hz = BAND_FROM * sweep.full_from_hz, BAND_UNTIL * sweep.full_to_hz
    if band_hz[1] < 4.0 * band_hz[0]:
        raise InputError(
            f"{where}: its sweep is at its full level from {sweep.full_from_hz:.0f} to"
            f" {sweep.full_to_hz:.0f} Hz only: give one over two octaves or more"
        )
    ends = [rung.start_sample + sweep.samples for rung in rungs]
    nexts = [rung.start_sample for rung in rungs[1:]] + [samples]
    pause = min(following - end for end, following in zip(ends, nexts, strict=True))
    return LadderRecipe(
        name=name.rsplit(".", 1)[0],
        rate_hz=sweep.rate_hz,
        band_hz=band_hz,
        sweep_s=sweep.duration_s,
        levels_dbfs=tuple(sorted({rung.drive_dbfs for rung in rungs})),
        order=ORDER,
        quiet_s=rungs[0].start_sample / sweep.rate_hz,
        pause_s=max(0.0, pause / sweep.rate_hz),
        return_rung=rungs[-1].role == "return",
        repeats=1 + max(rung.repeat for rung in rungs),
    )


def by_level(stimulus: FoundStimulus) -> list[list[PlayedRung]]:
    """Return the sweeps by rung, quietest first, the one that comes back last."""
    groups: dict[tuple[bool, float], list[PlayedRung]] = {}
    for rung in stimulus.file.rungs:
        groups.setdefault((rung.role == "return", rung.drive_dbfs), []).append(rung)
    return [groups[key] for key in sorted(groups)]
