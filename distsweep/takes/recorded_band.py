"""How much of a stimulus's band a recording at another rate holds."""

from __future__ import annotations

from distsweep.errors import InputError
from distsweep.reason import Reason
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.takes.recording import Recording

BAND_OF_RATE = 0.43
"""Where the band of a recording at another rate than its stimulus ends, over that rate (chosen:
filters of converters, and of conversions from rate to rate, begin to fall at 0.4535, which is
20 kHz of 44.1 kHz, and windows of 24 periods see a twentieth further: below 0.432, filters that
fall from there to half the rate moved no level by 0.02 dB)."""


def recorded_band_hz(
    recipe: LadderRecipe | StaircaseRecipe, recording: Recording
) -> tuple[float, float]:
    """Return the band of a stimulus as far as a recording's rate holds it.

    Raises
    ------
    InputError
        It holds nothing of that band.
    """
    low_hz, high_hz = recipe.band_hz
    if recording.rate_hz != recipe.rate_hz:
        high_hz = min(high_hz, BAND_OF_RATE * recording.rate_hz)
    if high_hz <= low_hz:
        raise InputError(
            f"{recording.path}: was recorded at {recording.rate_hz} Hz, too low for a stimulus"
            f" that starts at {low_hz:g} Hz: record at its rate, {recipe.rate_hz} Hz"
        )
    return low_hz, high_hz


def band_cut(recipe: LadderRecipe | StaircaseRecipe, recording: Recording) -> list[Reason]:
    """Say where a stimulus's band reaches past what the recording's rate holds."""
    played_hz, high_hz = recipe.band_hz[1], recorded_band_hz(recipe, recording)[1]
    if high_hz == played_hz:
        return []
    return [
        Reason("recorded_band", rate_hz=recording.rate_hz, high_hz=high_hz, played_hz=played_hz)
    ]
