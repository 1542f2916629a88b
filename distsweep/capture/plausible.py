"""What no microphone in air can hear: such set-ups are refused before they get loud."""

from __future__ import annotations

import numpy as np

from distsweep.capture.belief import Belief
from distsweep.capture.response import Gain, Response, averaged
from distsweep.errors import SafetyRefusal
from distsweep.plausible import (
    FULL_SCALE_SPL_DB,
    LARGEST_CORRECTION_DB,
    LEAST_BACKGROUND_SPL_DB,
)
from distsweep.takes.correction import MicCorrection
from distsweep.takes.recording import SILENT_PEAK
from distsweep.units import FloatArray, power_to_db
from distsweep.words.wording import signed, with_sign

FLAT_WITHIN_DB = 1.0
"""A response from its lowest to its highest point within this, over the inner part of the band
and averaged over 1/24 octave, is a cable's (chosen: no loudspeaker in air keeps within ±0.5 dB
so)."""

INNER_BAND = (2.0, 0.8)
"""The inner part of the swept band, re its ends (chosen: input and output couplings lie
outside)."""

REFLECTED_SHARE = 1e-4
"""Energy of reflections re the direct sound, −40 dB, from which on they give a response structure
finer than 1/24 octave; a cable has none (chosen: rooms have 0.1 and more, and no anechoic room
0.0001 with a microphone's stand in it)."""

DECISIVE_SNR_DB = 20.0
"""Below this a probe shows too little of a response to call it a cable's (chosen)."""

CHECK = (
    "check that the calibration belongs to this microphone, channel and gain, and that nothing"
    " (noise suppression, automatic gain) works on the input"
)


def check_full_scale(belief: Belief) -> None:
    """Refuse a calibration by which full scale is no level that an input can stand for.

    Raises
    ------
    SafetyRefusal
        It is not between 90 and 160 dB SPL.
    """
    full_db, (low_db, high_db) = belief.full_scale_spl_db, FULL_SCALE_SPL_DB
    if full_db is not None and not low_db <= full_db <= high_db:
        raise SafetyRefusal(
            f"by the calibration the input's full scale is {full_db:.0f} dB SPL; with a"
            f" microphone it lies between {low_db:g} and {high_db:g}: calibrate again"
        )


def check_correction(mic: MicCorrection | None) -> None:
    """Refuse a correction that no measurement microphone needs.

    Raises
    ------
    SafetyRefusal
        It is over 20 dB somewhere.
    """
    if mic is None:
        return
    at_hz, deviation_db = mic.largest
    if abs(deviation_db) > LARGEST_CORRECTION_DB:
        raise SafetyRefusal(
            f"mic_correction deviates by {with_sign(deviation_db)} dB at"
            f" {at_hz:.0f} Hz: a measurement microphone's deviation is"
            f" {LARGEST_CORRECTION_DB:g} dB at most; is it the right file, and in dB?"
        )


def check_background(quiet: FloatArray, belief: Belief) -> None:
    """Refuse a background that is quieter than a microphone's own noise.

    Parameters
    ----------
    quiet : the input while nothing plays, shape ``(samples,)``.

    Raises
    ------
    SafetyRefusal
        By the calibration it is below 5 dB SPL, or it is digital silence.
    """
    if not len(quiet):
        return
    moving = quiet - np.mean(quiet)
    if float(np.max(np.abs(moving))) < SILENT_PEAK:
        raise SafetyRefusal(
            "the background is digital silence, and no microphone is so quiet: is noise suppression"
            " or a gate at work on the input? switch it off"
        )
    if belief.full_scale_spl_db is None:
        return
    power = float(np.mean(moving**2))
    level_db = float(power_to_db(max(2.0 * power, 1e-30))) + belief.full_scale_spl_db
    if level_db < LEAST_BACKGROUND_SPL_DB:
        raise SafetyRefusal(
            f"by the calibration the background is {signed(level_db, 0)} dB SPL, less than a"
            f" microphone's own noise ({LEAST_BACKGROUND_SPL_DB:g} dB SPL over the band): {CHECK}"
        )


def check_air(response: Response, gain: Gain) -> None:
    """Refuse an answer that no path through air gives: flat, and without reflections.

    Raises
    ------
    SafetyRefusal
        The input hears the output through a cable, or inside the computer.
    """
    if gain.snr_db >= DECISIVE_SNR_DB and is_wired(response, gain):
        raise SafetyRefusal(
            "what the input hears has been through no loudspeaker and no air (flat within"
            f" {FLAT_WITHIN_DB:g} dB, no reflection): is the output wired to this"
            " input, or monitored in the computer? choose the microphone's channel"
        )


def is_wired(response: Response, gain: Gain) -> bool:
    """Tell whether a response is a cable's: flat over the band, without any fine structure.

    A reflection of the energy r re the direct sound spreads |H|² by the relative variance 2·r
    around its mean over 1/24 octave, and so does noise of that energy.
    """
    low_hz, high_hz = INNER_BAND[0] * gain.frequency_hz[0], INNER_BAND[1] * gain.frequency_hz[-1]
    inner = (gain.frequency_hz >= low_hz) & (gain.frequency_hz <= high_hz)
    if not np.any(inner) or float(np.ptp(gain.curve_db[inner])) > FLAT_WITHIN_DB:
        return False
    frequency_hz, power, noise = response.powers()
    bins = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    around = averaged(frequency_hz, power, frequency_hz[bins])
    spread = float(np.mean((power[bins] / around - 1.0) ** 2))
    share_of_noise = float(np.mean(noise[bins] / around))
    # Half of the noise's own share is left for what its estimate may be off by.
    return spread < 2.0 * REFLECTED_SHARE + 2.5 * share_of_noise


def check_reference(delay_samples: int) -> None:
    """Refuse a microphone that hears the sound as soon as the wired reference does.

    Parameters
    ----------
    delay_samples : arrival at the microphone minus arrival on the reference channel.

    Raises
    ------
    SafetyRefusal
        There is no delay between the two.
    """
    if delay_samples < 1:
        raise SafetyRefusal(
            "the microphone's channel hears the sound no later than the loop-back channel: it"
            " is wired too, or the two are exchanged; choose the microphone's channel"
        )
