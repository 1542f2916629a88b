"""Laying a staircase out so that it can be played safely: steps, rests, ramps, whole periods."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection, Sequence

from distsweep.capture.burst_meter import BURST_LEAST_S, BURST_SETTLES_S
from distsweep.capture.gate import LARGEST_STEP_DB
from distsweep.capture.levels import LARGEST_RISE_DB
from distsweep.capture.take import LATE_S
from distsweep.errors import InputError
from distsweep.stimulus.bursts import lay_out_staircase
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import StaircaseStimulus, StimulusFile
from distsweep.stimulus.staircase_recipe import (
    LEAST_HOLD_PERIODS,
    MOST_LEVELS,
    StaircaseRecipe,
)
from distsweep.stimulus.sweep import HIGHEST_OF_RATE
from distsweep.words.wording import as_given

PROBE_FROM_HZ, PROBE_TO_HZ = 300.0, 3000.0
"""The probe's band at the least (chosen: the markers of a staircase lie in it)."""

PROBE_BEYOND = 1.5
"""Factor by which the probe's band goes beyond the tones (chosen: none lies in its fades)."""

PROBE_SWEEP_S = 3.0

LEAST_TONE_HZ, LOW_TONE_HZ = 20.0, 40.0
"""Lowest tone, and the frequency below which bursts have a ramp of a whole period: a burst
that steps up within 2 ms at a zero of the wave shows up to 2/(2πf) of its peak as direct current in
a second's Hann-weighted mean; a ramp of a period halves that, and the gate takes 1 %."""

FAST_ONSET_DB, SLOW_RAMP_MS = 6.1, 12.0
"""A tone whose first level is less than the first below its top reaches half of its peak while it
fades in (6.02 dB, and some to spare). Its ramp is then at least the second: the gate refuses what
reaches half of its peak within 5 ms, and a raised cosine does so at half its length."""

WIDEST_DB = 80.0
"""Largest distance of the levels: what is 80 dB under the peak is silence to the gate."""

ADDED_HOLD_S = 0.6
"""Longest burst at a level put in between (chosen: they are there to be judged,
and a staircase for heat holds its own levels for half a minute)."""

VERDICT_S = BURST_SETTLES_S
"""A rest lasts this much longer than the round trip, so that a burst is judged before the next."""


def probe_recipe(recipe: StaircaseRecipe) -> LadderRecipe:
    """Return a ladder whose band covers a staircase's tones and markers, to be probed with."""
    low_hz = min(min(recipe.frequencies_hz) / PROBE_BEYOND, PROBE_FROM_HZ)
    high_hz = max(max(recipe.frequencies_hz) * PROBE_BEYOND, PROBE_TO_HZ)
    return LadderRecipe(
        name="probe",
        rate_hz=recipe.rate_hz,
        band_hz=(low_hz, min(high_hz, 0.95 * HIGHEST_OF_RATE * recipe.rate_hz)),
        sweep_s=PROBE_SWEEP_S,
        levels_dbfs=recipe.levels_dbfs,
        order=recipe.order,
    )


def check_playable(recipe: StaircaseRecipe, levels_dbfs: Sequence[float], where: str) -> None:
    """Refuse a staircase that cannot be watched as it must be; nothing has sounded.

    Raises
    ------
    InputError
        A burst is too short, a tone too low, or the levels lie too far apart.
    """
    if recipe.hold_s < BURST_LEAST_S:
        raise InputError(
            f"{where}: hold_s is {recipe.hold_s:g}: a burst of less than {BURST_LEAST_S:g} s"
            " cannot be judged before the next, louder one: write the stimulus with longer ones"
        )
    if min(recipe.frequencies_hz) < LEAST_TONE_HZ:
        raise InputError(
            f"{where}: frequencies_hz holds {min(recipe.frequencies_hz):g}: capture plays tones"
            f" of {LEAST_TONE_HZ:g} Hz or more: leave it out"
        )
    if levels_dbfs[-1] - levels_dbfs[0] > WIDEST_DB:
        raise InputError(
            f"{where}: levels span {levels_dbfs[-1] - levels_dbfs[0]:g} dB, capture plays"
            f" {WIDEST_DB:g} at most: start higher, with --levels-dbfs"
        )


def check_start(files: Sequence[StimulusFile], probe_dbfs: float) -> None:
    """Refuse tones that were laid out from a louder probe than the one that was heard now.

    Raises
    ------
    InputError
        One would begin more than LARGEST_RISE_DB above it.
    """
    first_dbfs = max(file.lowest_dbfs for file in files)
    if first_dbfs - probe_dbfs > LARGEST_RISE_DB + 1e-6:
        raise InputError(
            f"the take begins at {as_given(first_dbfs)} dBFS, and the probe went only to"
            f" {as_given(probe_dbfs)} this time: record the position again (--again)"
        )


def with_small_steps(levels_dbfs: Sequence[float], *, from_dbfs: float) -> tuple[float, ...]:
    """Put levels in between wherever the next would be more than LARGEST_STEP_DB louder.

    The first is at most LARGEST_RISE_DB above ``from_dbfs``, which has been heard before: where
    it would be more, levels are put in below it.

    Raises
    ------
    InputError
        That makes too many levels.
    """
    below = math.ceil((levels_dbfs[0] - from_dbfs - LARGEST_RISE_DB) / LARGEST_STEP_DB - 1e-9)
    filled = [levels_dbfs[0] - LARGEST_STEP_DB * max(below, 0)]
    for level_dbfs in levels_dbfs:
        rise_db = level_dbfs - filled[-1]
        steps = math.ceil(rise_db / LARGEST_STEP_DB - 1e-9)
        low_dbfs = filled[-1]
        filled += [low_dbfs + rise_db * i / steps for i in range(1, steps)]
        if rise_db > 0.0:
            filled.append(level_dbfs)
    if len(filled) > MOST_LEVELS:
        raise InputError(f"the staircase has {len(filled)} levels, {MOST_LEVELS} are the most")
    return tuple(round(level_dbfs, 9) for level_dbfs in filled)


def playable_recipe(
    recipe: StaircaseRecipe,
    levels_dbfs: Sequence[float],
    *,
    name: str,
    probe_dbfs: float,
    round_trip_s: float,
) -> StaircaseRecipe:
    """Return a recipe whose steps are small, and whose rests outlast the way there and back.

    Where that way is long, so is the silence before the tone: its marker is heard first.
    """
    levels = with_small_steps(levels_dbfs, from_dbfs=probe_dbfs)
    lowest_hz = min(recipe.frequencies_hz)
    least_ms = SLOW_RAMP_MS if levels[-1] - levels[0] < FAST_ONSET_DB else 0.0
    least_ms = max(least_ms, 1e3 / lowest_hz if lowest_hz < LOW_TONE_HZ else 0.0)
    rest_s = round_trip_s + VERDICT_S
    return dataclasses.replace(
        recipe,
        name=name,
        levels_dbfs=levels,
        quiet_s=recipe.quiet_s + (round_trip_s if round_trip_s > LATE_S else 0.0),
        rest_s=max(recipe.rest_s, rest_s),
        release_s=max(recipe.release_s, rest_s),
        ramp_ms=max(recipe.ramp_ms, least_ms),
    )


def stairs_stimulus(recipe: StaircaseRecipe, requested_dbfs: Sequence[float]) -> StaircaseStimulus:
    """Lay a staircase out, one file a frequency, with markers as quiet as its first level.

    Bursts at levels that were not asked for, but put in between, are short.
    """
    marker = dataclasses.replace(lay_out_staircase(recipe).marker, level_dbfs=recipe.levels_dbfs[0])
    added = set(recipe.levels_dbfs) - {round(level_dbfs, 9) for level_dbfs in requested_dbfs}
    files = [
        dataclasses.replace(
            _tone_file(recipe, frequency_hz, added), name=f"{recipe.name}-{number:02d}"
        )
        for number, frequency_hz in enumerate(recipe.frequencies_hz, start=1)
    ]
    return StaircaseStimulus(recipe=recipe, marker=marker, files=tuple(files))


def _tone_file(recipe: StaircaseRecipe, frequency_hz: float, added: set[float]) -> StimulusFile:
    """Lay one tone out with bursts and rests of whole periods, so that each steps at a zero."""

    def whole(seconds: float) -> float:
        return math.ceil(seconds * frequency_hz - 1e-9) / frequency_hz

    alone = dataclasses.replace(
        recipe,
        frequencies_hz=(frequency_hz,),
        hold_s=whole(recipe.hold_s),
        rest_s=whole(recipe.rest_s),
        release_s=whole(recipe.release_s),
    )
    file = lay_out_staircase(alone).files[0]
    least_s = max(ADDED_HOLD_S, LEAST_HOLD_PERIODS / frequency_hz + 2e-3 * recipe.ramp_ms)
    short = round(min(alone.hold_s, whole(least_s)) * recipe.rate_hz)
    bursts, earlier = [], 0
    for burst in file.bursts:
        samples = short if burst.level_dbfs in added else burst.samples
        place = burst.start_sample - earlier
        bursts.append(dataclasses.replace(burst, start_sample=place, samples=samples))
        earlier += burst.samples - samples
    return dataclasses.replace(
        file,
        bursts=tuple(bursts),
        samples=file.samples - earlier,
        end_marker_sample=file.end_marker_sample - earlier,
    )


def lowered(
    stimulus: StaircaseStimulus, file: StimulusFile, *, below_dbfs: float
) -> StimulusFile | None:
    """Lay a tone out again without its levels from ``below_dbfs`` up.

    Returns
    -------
    The file, under its old name; None where too little of the staircase is left.
    """
    levels = tuple(level for level in _levels_dbfs(file) if level < below_dbfs)
    if len(levels) < 2 or levels[-1] - levels[0] < FAST_ONSET_DB:
        return None
    return _laid_out_anew(stimulus.recipe, file, levels)


def with_longer_rests(
    stimulus: StaircaseStimulus, names: Collection[str], *, round_trip_s: float
) -> StaircaseStimulus:
    """Lay tones out again, at their own levels, where their rests are too short by now.

    Parameters
    ----------
    names : of the files that are yet to be played; the others stay.
    round_trip_s : the longest time so far from handing a sample out to hearing it.
    """
    recipe, least_s = stimulus.recipe, round_trip_s + VERDICT_S
    if least_s <= recipe.rest_s:
        return stimulus
    recipe = dataclasses.replace(recipe, rest_s=least_s, release_s=max(recipe.release_s, least_s))
    files = tuple(
        _laid_out_anew(recipe, file, _levels_dbfs(file)) if file.name in names else file
        for file in stimulus.files
    )
    return dataclasses.replace(stimulus, recipe=recipe, files=files)


def requested_dbfs(stimulus: StaircaseStimulus) -> tuple[float, ...]:
    """Return the levels of a staircase that were asked for, not put in between."""
    added = set().union(*(_added_dbfs(file) for file in stimulus.files))
    return tuple(level for level in stimulus.recipe.levels_dbfs if level not in added)


def _levels_dbfs(file: StimulusFile) -> tuple[float, ...]:
    return tuple(burst.level_dbfs for burst in file.bursts if burst.direction == "up")


def _added_dbfs(file: StimulusFile) -> set[float]:
    """Return the levels of a tone that were put in between: their bursts are short."""
    longest = max(burst.samples for burst in file.bursts)
    return {burst.level_dbfs for burst in file.bursts if burst.samples < longest}


def _laid_out_anew(
    recipe: StaircaseRecipe, file: StimulusFile, levels_dbfs: tuple[float, ...]
) -> StimulusFile:
    alone = dataclasses.replace(recipe, levels_dbfs=levels_dbfs)
    tone = _tone_file(alone, file.bursts[0].frequency_hz, _added_dbfs(file))
    return dataclasses.replace(tone, name=file.name)
