"""What a rung is watched by: predictions from the probe and the rungs before it, and its THD."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from distsweep.capture.distress import Distress
from distsweep.capture.response import Response
from distsweep.capture.sending import Order
from distsweep.capture.watch import HOP_S, Bounds, Watch, bounds
from distsweep.stimulus.layout import render
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.units import FloatArray, db_to_power, db_to_ratio

SURE_SNR_DB = 20.0
"""A recording less than this above the background does not say what is too quiet (chosen: rumble
in probes 15 dB above it has stopped rungs of set-ups that were right)."""


@dataclass(frozen=True)
class Reference:
    """A response, the drive at which it was measured, and its level above the noise in it."""

    response: Response
    drive_dbfs: float
    snr_db: float


@dataclass(frozen=True)
class HeardSoFar:
    """What has been heard of the bench before a rung plays.

    Attributes
    ----------
    probe : the last probe.
    quiet : the background alone, shape ``(samples,)``.
    noise_power : mean square of its loudest 20 ms.
    first_rung, last_rung : of the rungs that were heard; None before the first.
    """

    probe: Reference
    quiet: FloatArray
    noise_power: float
    first_rung: Reference | None = None
    last_rung: Reference | None = None

    @property
    def upper(self) -> Reference:
        """What the upper prediction is scaled from: the first rung, and before it the probe."""
        return self.first_rung or self.probe

    @property
    def lower(self) -> Reference:
        """What the lower prediction rests on: the rung before, or before the first the probe."""
        return self.last_rung or self.probe

    def with_rung(self, rung: Reference) -> HeardSoFar:
        """Return the same with one more rung heard."""
        return replace(self, first_rung=self.first_rung or rung, last_rung=rung)


def rung_watch(
    stimulus: LadderStimulus,
    file: StimulusFile,
    heard: HeardSoFar,
    *,
    order: Order,
    rate_hz: int,
    loudest_power: float,
    level_power: float,
) -> Watch:
    """Prepare to watch a rung while it plays.

    Parameters
    ----------
    file : the rung's; with repeats it holds several sweeps.
    order : gives the THD limit, the level band and the microphone's correction.
    rate_hz : of the recording.
    loudest_power, level_power : see ``Watch``.
    """
    first = file.rungs[0].start_sample
    sweeps = render(stimulus, file)[first : file.rungs[-1].start_sample + stimulus.sweep.samples]
    expected = _bounds(stimulus, file, heard, sweeps, order=order, rate_hz=rate_hz)
    mic, deviation_power = order.calibration.mic, None
    if mic is not None:
        passed_hz = _passed_hz(stimulus, file, len(expected.expected))
        deviation_power = np.asarray(
            db_to_power(mic.at(np.minimum(passed_hz, stimulus.sweep.stop_hz)))
        )
    return Watch(
        rate_hz=rate_hz,
        loudest_power=loudest_power,
        level_power=level_power,
        expected=expected,
        deviation_power=deviation_power,
        distress=Distress(
            stimulus.sweep,
            starts=[rung.start_sample - first for rung in file.rungs],
            band_hz=stimulus.recipe.band_hz,
            order=stimulus.recipe.order,
            limit_percent=order.thd_limit_percent,
            predicted=heard.lower.response.predict(sweeps),
            level_band_hz=order.conditions.averaged_hz,
            quiet=heard.quiet,
            correction_db=order.calibration.correction_db,
        ),
    )


def _bounds(
    stimulus: LadderStimulus,
    file: StimulusFile,
    heard: HeardSoFar,
    sweeps: FloatArray,
    *,
    order: Order,
    rate_hz: int,
) -> Bounds:
    """Predict what the microphone will hear of the sweeps; see ``watch`` for the rule."""
    lower, drive_dbfs = heard.lower, file.rungs[0].drive_dbfs
    # What the rung before gave, unscaled; the return rung is softer than the one before.
    scale_db = 0.0 if heard.last_rung is None else min(lower.drive_dbfs - drive_dbfs, 0.0)
    scale = float(db_to_ratio(scale_db))
    sure = lower.snr_db >= SURE_SNR_DB
    hops = math.ceil(len(sweeps) / (HOP_S * stimulus.sweep.rate_hz))
    return bounds(
        heard.upper.response.predict(sweeps),
        scale * lower.response.predict(sweeps) if sure else None,
        rate_hz=rate_hz,
        noise_power=heard.noise_power,
        noise_wave=scale * lower.response.predict_noise(sweeps),
        below_band=_passed_hz(stimulus, file, hops) < order.conditions.averaged_hz[0] / 2.0,
    )


def _passed_hz(stimulus: LadderStimulus, file: StimulusFile, hops: int) -> FloatArray:
    """Return the frequency that the sweeps of a file are passing, hop by hop."""
    sweep = stimulus.sweep
    samples = file.rungs[0].start_sample + np.arange(hops) * HOP_S * sweep.rate_hz
    starts = np.array([rung.start_sample for rung in file.rungs])
    since = samples - starts[np.searchsorted(starts, samples, side="right") - 1]
    return sweep.frequency_at_hz(since / sweep.rate_hz)
