"""Whether the markers of recordings stand where two clocks may put them."""

from __future__ import annotations

import numpy as np

from distsweep.words.wording import with_sign

LARGEST_DRIFT_PPM = 300.0
"""Largest difference of two clocks; where markers say more, samples were lost (chosen: converters
keep within 100 ppm each, and some to spare)."""

DRIFT_WANDERS_PPM = 60.0
"""Largest change of that from recording to recording (chosen: 0.5 ms in an 8 s sweep)."""


class Drifts:
    """The recorder's clock re the player's, in ppm, recording by recording."""

    def __init__(self) -> None:
        """Nothing has been recorded yet."""
        self._drifts_ppm: list[float] = []

    def trouble(self, drift_ppm: float) -> str:
        """Take the next recording's drift; return what is wrong with it, or nothing."""
        usual_ppm = float(np.median(self._drifts_ppm)) if self._drifts_ppm else 0.0
        allowed_ppm = DRIFT_WANDERS_PPM if self._drifts_ppm else LARGEST_DRIFT_PPM
        if abs(drift_ppm - usual_ppm) > allowed_ppm:
            return f"samples were lost, the markers stand {with_sign(drift_ppm, 0)} ppm apart"
        self._drifts_ppm.append(drift_ppm)
        return ""

    @property
    def last_ppm(self) -> float:
        """Drift of the last recording."""
        return self._drifts_ppm[-1]
