"""Numbers on the command line: finite, and within what makes sense.

Click's own ``float`` lets "nan" and "inf" through, and "nan" passes every range: a limit of
nan limits nothing. Whatever is refused here is a usage error (exit code 2).
"""

from __future__ import annotations

import math
from typing import Any

import click

from distsweep import plausible


class Number(click.FloatRange):
    """A finite number between two bounds, either of which may be left out.

    Parameters are those of ``click.FloatRange``.
    """

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number as float, or fail with one line that names the option."""
        try:
            finite = math.isfinite(float(value))
        except ValueError:
            finite = False
        if not finite:
            self.fail(f"{value!r} is not a finite number.", param, ctx)
        return super().convert(value, param, ctx)


DISTANCE_M = Number(*plausible.DISTANCE_M.possible)
LISTENER_DISTANCE_M = Number(*plausible.LISTENER_DISTANCE_M.possible)
TEMPERATURE_C = Number(*plausible.TEMPERATURE_C.possible)

LEVEL_SPL_DB = Number(-20.0, 200.0)
"""No microphone's own noise lies below; 194 dB SPL is an RMS pressure of one atmosphere."""

THD_LIMIT_PERCENT = Number(0.0, 100.0, min_open=True)
"""At 100 % the harmonics are as strong as the fundamental: no limit lies higher."""

FREQUENCY_HZ = Number(0.0, 1e6, min_open=True)

MINUTES = Number(0.0, 525600.0)
"""Up to a year (chosen)."""

SENSITIVITY_MV_PER_PA = Number(0.001, 1e5)
"""From small high-pressure capsules (0.1 mV/Pa) to microphones with a preamplifier built in
(1 V/Pa), with two decades to spare (chosen)."""

FULL_SCALE_V_RMS = Number(1e-5, 1e3)
"""From an input at its highest gain (some millivolts) to a power amplifier's output
(chosen)."""

RATE_HZ = click.IntRange(8000, 768000)
"""Sampling rates that converters have (chosen, with some to spare)."""

BUFFER_MS = Number(5.0, 80.0)
"""From what fast interfaces hold, to the longest with which sound still ends in time after a stop
(chosen; the upper end is capture's own longest, BUFFERS_S)."""
