"""Whether the markers of recordings stand where two clocks may put them."""

from __future__ import annotations

import numpy as np

LARGEST_DRIFT_PPM = 300.0
"""Clocks that seem further apart have not drifted: samples were lost (chosen: converters keep
100 ppm each)."""

DRIFT_WANDERS_PPM = 60.0
"""So much from recording to recording is no clock either (chosen: 0.5 ms in an 8 s sweep)."""


class Drifts:
    """The recorder's clock re the player's, in ppm, recording by recording."""

    def __init__(self) -> None:
        """Nothing has been recorded yet."""
        self._found_ppm: list[float] = []

    def trouble(self, drift_ppm: float) -> str:
        """Take the next recording's drift; say so where it is no clock's, else return nothing."""
        usual_ppm = float(np.median(self._found_ppm)) if self._found_ppm else 0.0
        allowed_ppm = DRIFT_WANDERS_PPM if self._found_ppm else LARGEST_DRIFT_PPM
        if abs(drift_ppm - usual_ppm) > allowed_ppm:
            return f"samples were lost, the markers stand {drift_ppm:+.0f} ppm apart"
        self._found_ppm.append(drift_ppm)
        return ""

    @property
    def last_ppm(self) -> float:
        """The last recording's."""
        return self._found_ppm[-1]
