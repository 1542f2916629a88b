"""What the tones of a staircase will be, by what the probe found, and what they add up to."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.weighting import a_weighting_db
from distsweep.capture.announcement import Announcement
from distsweep.capture.belief import Belief
from distsweep.capture.exposure import Exposure, doses
from distsweep.capture.response import Response
from distsweep.capture.stairs_layout import stairs_stimulus
from distsweep.stimulus.sidecar import StaircaseStimulus, StimulusFile
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.units import FloatArray
from distsweep.words.wording import signed


@dataclass(frozen=True)
class StairsPlan:
    """The tones of a staircase as they will be played.

    Attributes
    ----------
    recipe : the levels with those put in between; a rest in which a burst can be judged.
    stimulus : the same laid out, one file a tone.
    marker_in_db : highest level of a 0 dBFS marker at the input, corrected, dBFS.
    gains_db : what a steady 0 dBFS tone gives at the input, dBFS, one a frequency.
    corrections_db : the microphone's deviation there.
    belief : what the input's levels are in dB SPL, and how far that is believed.
    listener_offset_db : level at the listener minus that at the microphone.
    """

    recipe: StaircaseRecipe
    stimulus: StaircaseStimulus
    marker_in_db: float
    gains_db: tuple[float, ...]
    corrections_db: tuple[float, ...]
    belief: Belief
    listener_offset_db: float

    @property
    def top_dbfs(self) -> float:
        """Drive of the loudest bursts."""
        return self.recipe.levels_dbfs[-1]

    @property
    def highest_in_db(self) -> float:
        """Level of the loudest tone's loudest burst at the input, corrected, dBFS."""
        return self.top_dbfs + max(self._heard_db(f) for f in self.recipe.frequencies_hz)

    def correction_db(self, frequency_hz: float) -> float:
        """Return the microphone's deviation at a tone."""
        return self.corrections_db[self.recipe.frequencies_hz.index(frequency_hz)]

    def nominal_spl_db(self, frequency_hz: float, drive_dbfs: float) -> float | None:
        """Return a burst's level by the calibration, dB SPL; None without one."""
        return self.belief.nominal_spl_db(drive_dbfs + self._heard_db(frequency_hz))

    def worst_spl_db(self, frequency_hz: float, drive_dbfs: float) -> float:
        """Return a burst's level at worst."""
        return self.belief.worst_spl_db(drive_dbfs, self._heard_db(frequency_hz))

    def exposures(self, file: StimulusFile, *, sent_samples: int | None = None) -> list[Exposure]:
        """Return what a tone is at the listener's place at worst, its rests included.

        ``sent_samples`` says how much of the file was played; None: all of it.
        """
        end = file.samples if sent_samples is None else sent_samples
        frequency_hz = file.bursts[0].frequency_hz
        offset_db = float(a_weighting_db(np.array([frequency_hz]))[0]) + self.listener_offset_db

        def exposure(drive_dbfs: float, samples: int) -> Exposure:
            level_dba = self.worst_spl_db(frequency_hz, drive_dbfs) + offset_db
            return Exposure(level_dba, samples / self.recipe.rate_hz / 60.0)

        played = [(b.level_dbfs, min(b.samples, end - b.start_sample)) for b in file.bursts]
        played = [(drive_dbfs, samples) for drive_dbfs, samples in played if samples > 0]
        last = file.bursts[-1].start_sample + file.bursts[-1].samples
        resting = min(end, last) - file.first_sample - sum(samples for _, samples in played)
        if resting > 0:
            played.append((self.recipe.levels_dbfs[0], resting))
        return [exposure(drive_dbfs, samples) for drive_dbfs, samples in played]

    def announcement(
        self,
        *,
        earlier: Sequence[Exposure],
        calibrated_gain: str | None,
        gain_said: bool,
        latency: str | None,
        seconds: float,
        probe_s: float,
    ) -> Announcement:
        """Say what will sound; ``earlier`` is what the session has played before.

        For the other parameters see ``Announcement``.
        """
        tones, top_dbfs = self.recipe.frequencies_hz, self.top_dbfs
        exposures = list(earlier)
        for file in self.stimulus.files:
            exposures += self.exposures(file)
        marker_dbfs = self.stimulus.marker.level_dbfs
        nominal = [self.nominal_spl_db(f, top_dbfs) for f in tones]
        nominal.append(self.belief.nominal_spl_db(marker_dbfs + self.marker_in_db))
        worst = [self.worst_spl_db(f, top_dbfs) for f in tones]
        worst.append(self.belief.worst_spl_db(marker_dbfs, self.marker_in_db))
        return Announcement(
            nominal_spl_db=max((db for db in nominal if db is not None), default=None),
            worst_spl_db=max(worst),
            listener_offset_db=self.listener_offset_db,
            drives_dbfs=self.recipe.levels_dbfs,
            seconds=seconds,
            probe_s=probe_s,
            lines=[self._line(file) for file in self.stimulus.files],
            doses=doses(exposures),
            origin=self.belief.origin,
            calibrated_gain=calibrated_gain,
            gain_said=gain_said,
            latency=latency,
        )

    def _line(self, file: StimulusFile) -> str:
        frequency_hz, low_dbfs = file.bursts[0].frequency_hz, file.bursts[0].level_dbfs
        nominal_db = self.nominal_spl_db(frequency_hz, self.top_dbfs)
        nominal = "" if nominal_db is None else f"{nominal_db:.1f} dB SPL, "
        return (
            f"{frequency_hz:g} Hz, {len(file.bursts)} bursts from {signed(low_dbfs)} to"
            f" {signed(self.top_dbfs)} dBFS and back, up to {nominal}at worst"
            f" {self.worst_spl_db(frequency_hz, self.top_dbfs):.1f},"
            f" {file.samples / self.recipe.rate_hz:.0f} s"
        )

    def _heard_db(self, frequency_hz: float) -> float:
        """What a 0 dBFS tone gives at the input, corrected for the microphone."""
        place = self.recipe.frequencies_hz.index(frequency_hz)
        return self.gains_db[place] - self.corrections_db[place]


def plan_stairs(
    recipe: StaircaseRecipe,
    requested_dbfs: Sequence[float],
    response: Response,
    *,
    correction_db: Callable[[FloatArray], FloatArray],
    belief: Belief,
    listener_offset_db: float,
) -> StairsPlan:
    """Lay a staircase out, and find what every tone gives when it has become steady.

    ``requested_dbfs`` are the levels that were asked for; others of the recipe were put in between.
    """
    frequencies_hz = recipe.frequencies_hz
    stimulus = stairs_stimulus(recipe, requested_dbfs)
    corrected = response.corrected(correction_db)
    return StairsPlan(
        recipe=recipe,
        stimulus=stimulus,
        marker_in_db=corrected.highest_level_db(stimulus.marker.waveform()),
        gains_db=tuple(response.steady_gain_db(f) for f in frequencies_hz),
        corrections_db=tuple(correction_db(np.array(frequencies_hz)).tolist()),
        belief=belief,
        listener_offset_db=listener_offset_db,
    )
