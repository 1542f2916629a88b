"""Tones whose waveform is bent, compared: at one drive at every frequency, or at several."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.reason import Reason
from distsweep.results import ToneLevels

SAME_DRIVE_DB = 1.0
"""Onsets so near each other count as the same drive (chosen: a loudspeaker's own curvature and
steps of 2 or 3 dB move an interpolated onset by less)."""

LEAST_SPAN = 4.0
"""Highest over lowest frequency from which the tones' drives say anything of frequency (chosen: two
octaves, wider than one driver's own band edge)."""


def compare_bent(tones: Sequence[ToneLevels], bent: Sequence[bool]) -> Reason | None:
    """Compare the drives at which the waveform of several tones is bent.

    Only tones with an onset (0.5 dB less gain) are compared.

    Parameters
    ----------
    bent : of each tone, whether its waveform is bent.

    Returns
    -------
    None where no tone is, or too few are, or they lie too near each other.
    """
    onsets = {
        tone.frequency_hz: tone.onset_dbfs
        for tone, flag in zip(tones, bent, strict=True)
        if flag and tone.onset_dbfs is not None
    }
    if not onsets:
        return None
    drives_dbfs = np.array(list(onsets.values()))
    low_dbfs, high_dbfs = float(np.min(drives_dbfs)), float(np.max(drives_dbfs))
    tones_hz = sorted(onsets)
    if high_dbfs - low_dbfs > SAME_DRIVE_DB:
        return Reason(
            "bent_at_differing_drives",
            tones_hz=tones_hz,
            onsets_dbfs=[onsets[tone_hz] for tone_hz in tones_hz],
        )
    follow_hz = [
        tone.frequency_hz
        for tone in tones
        if tone.frequency_hz not in onsets and tone.drive_dbfs[-1] >= high_dbfs + SAME_DRIVE_DB
    ]
    if follow_hz:
        return Reason("others_not_bent", tones_hz=follow_hz)
    if tones_hz[-1] >= LEAST_SPAN * tones_hz[0]:
        return Reason(
            "bent_at_same_drive",
            tones_hz=tones_hz,
            lowest_onset_dbfs=low_dbfs,
            highest_onset_dbfs=high_dbfs,
        )
    return None
