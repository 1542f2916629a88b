"""A staircase, measured: all that one cut recording of it tells."""

from __future__ import annotations

from dataclasses import dataclass

from distsweep.analysis.cut import CutStaircase
from distsweep.analysis.noise.background import describe_background, noise_spectrum
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.tone.bursts import StaircaseSettings
from distsweep.analysis.tone.staircase import read_staircase
from distsweep.reason import Reason
from distsweep.results import Background, CleanLevel, HighOrderOnset, Staircase


@dataclass(frozen=True)
class MeasuredStaircase:
    """A staircase, measured; levels are in the take's unit.

    Attributes
    ----------
    staircase : one a tone.
    clean_level, high_order_onset : over all tones.
    background : None where the silence was not recorded.
    warnings : what the reader of the numbers must know.
    """

    staircase: list[Staircase]
    clean_level: list[CleanLevel]
    high_order_onset: list[HighOrderOnset]
    background: Background | None
    warnings: list[Reason]


def measure_staircase(cut: CutStaircase, settings: TakeSettings) -> MeasuredStaircase:
    """Measure a staircase: levels, harmonics, gain change and limiter of each tone."""
    noise = noise_spectrum(cut.quiet, rate_hz=cut.rate_hz, step=cut.step)
    reading = read_staircase(
        cut,
        StaircaseSettings(
            levels_dbfs=cut.levels_dbfs,
            ramp_s=cut.ramp_s,
            order=settings.order,
            highest_hz=settings.band_hz[1],
            correction_db=settings.correction_db,
        ),
        noise=noise,
        level_offset_db=settings.level_offset_db,
    )
    return MeasuredStaircase(
        staircase=reading.staircase,
        clean_level=reading.clean_level,
        high_order_onset=reading.high_order_onset,
        background=None if noise is None else describe_background(noise, settings),
        warnings=reading.warnings,
    )
