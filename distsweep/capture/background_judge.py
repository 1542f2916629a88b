"""What is said of a recording of the background: its level, and whether something else is in it."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.noise.third_octave_levels import NoiseLevels, noise_levels
from distsweep.capture.running_level import SHOWN_OVER_S, a_weighted_db
from distsweep.takes.correction import no_correction
from distsweep.takes.session_calibration import Calibration
from distsweep.units import FloatArray, power_to_db
from distsweep.words.wording import signed

SHOWN_EVERY_S = 0.5
"""How often the running level is worked out (chosen: a number can be read)."""

GROWN_DB = 3.0
"""The last third of a recording is as loud as the first within this (chosen: a room changes by one
or two decibels; a loudspeaker that stops muting by more, where its hiss matters)."""

SILENT_DBFS = -125.0
"""Below this no microphone is plugged in (chosen: the noise of a converter of 24 bits alone is
louder)."""


class LevelMeter:
    """The A-weighted level of what comes in, as a text."""

    def __init__(
        self, rate_hz: int, calibration: Calibration, channel: int, seconds: float
    ) -> None:
        """Begin; ``channel`` counts from 1, ``seconds`` is how long the recording will be."""
        self._rate_hz = rate_hz
        self._calibration = calibration
        self._channel = channel
        self._seconds = seconds
        self._shown = 0
        self._level = "…"

    def text(self, frames: FloatArray) -> str:
        """Return the level of the last second, and how much has been recorded."""
        if len(frames) - self._shown >= SHOWN_EVERY_S * self._rate_hz:
            self._shown = len(frames)
            last = frames[-round(SHOWN_OVER_S * self._rate_hz) :, self._channel - 1]
            self._level = self.level(np.asarray(last, dtype=float))
        return f"{self._level}, {len(frames) / self._rate_hz:.0f} of {self._seconds:g} s"

    def whole(self, samples: FloatArray) -> str:
        """Return the level of a whole recording."""
        return f"{self.level(samples)} over {len(samples) / self._rate_hz:g} s"

    def level(self, samples: FloatArray) -> str:
        """Return a level: "31.2 dB(A)", re full scale where nothing is calibrated."""
        level_db = a_weighted_db(samples, rate_hz=self._rate_hz, calibration=self._calibration)
        if level_db is None:
            return "nothing"
        calibrated = self._calibration.pascal_per_fs is not None
        return f"{signed(level_db)} {'dB(A)' if calibrated else 'dBFS(A)'}"


def what_disturbed(samples: FloatArray, *, rate_hz: int) -> str | None:
    """Return what speaks against a recording of the background; None where nothing does.

    A knock or a word is louder than most other moments of the same recording.
    """
    peak = float(np.max(np.abs(samples)))
    if peak <= 10.0 ** (SILENT_DBFS / 20.0):
        return "this is digital silence: is the microphone on, and on this channel?"
    if peak >= 1.0:
        return "it reached full scale"
    levels = noise_levels(samples, rate_hz=rate_hz, correction_db=no_correction)
    if levels is not None and levels.left_out_s:
        start_s, end_s = levels.left_out_s[0]
        return f"something was heard between {start_s:.1f} and {end_s:.1f} s: a knock, or speech?"
    third = len(samples) // 3
    ends = [
        noise_levels(part, rate_hz=rate_hz, correction_db=no_correction)
        for part in (samples[:third], samples[-third:])
    ]
    change_db = _change_db(*ends)
    if abs(change_db) <= GROWN_DB:
        return None
    how = "louder" if change_db > 0.0 else "quieter"
    return (
        f"it grew {how} by {abs(change_db):.0f} dB while it was recorded: was the loudspeaker still"
        " muting, or did the room change?"
    )


def _change_db(first: NoiseLevels | None, last: NoiseLevels | None) -> float:
    """Return by how much the A-weighted level has grown; 0 where that is not known."""
    if first is None or last is None or not min(first.a_weighted, last.a_weighted) > 0.0:
        return 0.0
    return float(power_to_db(last.a_weighted / first.a_weighted))
