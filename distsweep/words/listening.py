"""What is said of the background before anything sounds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from distsweep.results import Tone
from distsweep.units import FloatArray
from distsweep.words.wording import as_given, listed, short_frequency, signed

A_ROW = 10
"""Thirds of an octave in one row of the table: a decade, and 71 columns (by their definition)."""

NEAR_DB = 6.0
"""Lines of hum this far below the strongest are named as its main ones (chosen: half of its
amplitude; weaker ones tell little of the cause)."""


def meter_line(
    *,
    level_db: float,
    a_weighted_db: float | None,
    loudest_db: float,
    unit: str,
    clipped: bool,
    dropouts: int,
) -> str:
    """Return the line that is overwritten while the background is listened to."""
    text = f"background {signed(level_db)} {unit}"
    if a_weighted_db is not None:
        text += f", {signed(a_weighted_db)} A-weighted"
    text += f", loudest {signed(loudest_db)}"
    return text + (", CLIPS" if clipped else "") + (f", {_dropouts(dropouts)}" if dropouts else "")


def dead_line(channel: int) -> str:
    """Return what is said where the input delivers digital silence."""
    return (
        f"warning: input channel {channel} is digital silence: is the microphone plugged in, its"
        " supply on, and the input neither muted nor gated?"
    )


def heard_lines(
    *,
    frequency_hz: FloatArray,
    level_db: FloatArray,
    whole_db: float,
    a_weighted_db: float,
    loudest_db: float,
    unit: str,
    hum: Sequence[Tone],
    clipped: bool,
    dropouts: int,
) -> list[str]:
    """Return what was heard, line by line, with a table of thirds of an octave in 80 columns."""
    lines = [
        f"background: {signed(whole_db)} {unit} (20 Hz to 20 kHz), {signed(a_weighted_db)}"
        f" A-weighted, loudest moment {signed(loudest_db)}"
    ]
    for first in range(0, len(frequency_hz), A_ROW):
        row = slice(first, first + A_ROW)
        lines.append(_row("Hz", [short_frequency(f) for f in frequency_hz[row]]))
        lines.append(_row("dB", [_whole(level) for level in level_db[row]]))
    lines.append(hum_line(hum, unit))
    if clipped:
        lines.append("warning: the background alone reaches full scale: turn the input gain down")
    if dropouts:
        lines.append(f"warning: {_dropouts(dropouts)} meanwhile: levels may be off")
    return lines


def hum_line(hum: Sequence[Tone], unit: str) -> str:
    """Name the hum, its frequencies and what may cause it."""
    if not hum:
        return "hum: no line of the mains stands out"
    strongest = max(hum, key=lambda tone: tone.level_db)
    near = [tone for tone in hum if tone.level_db >= strongest.level_db - NEAR_DB]
    lines = [f"{as_given(t.frequency_hz)} Hz at {signed(t.level_db, 0)}" for t in near]
    more = f", {len(hum) - len(near)} weaker" if len(hum) > len(near) else ""
    return f"hum: {listed(lines)} {unit}{more}: {_cause(hum, strongest.frequency_hz)}"


def _cause(hum: Sequence[Tone], strongest_hz: float) -> str:
    """Say what lines of hum may come from, by which multiple of the mains is the strongest.

    Currents of the mains have its frequency and odd multiples; forces and rectifiers go with their
    square, and have even ones.
    """
    mains_hz = _mains_hz([tone.frequency_hz for tone in hum])
    supply = f"mains of {mains_hz:g} Hz"
    if round(strongest_hz / mains_hz) % 2:
        return f"{supply}, mostly odd multiples: an earth loop, or a cable near a transformer"
    return f"{supply}, mostly even multiples: a rectifier's ripple, or a transformer heard humming"


def _mains_hz(lines_hz: Sequence[float]) -> float:
    """Return of which supply lines are the multiples; those of 300 Hz alone may be of either."""
    return 50.0 if all(round(f) % 50 == 0 for f in lines_hz) else 60.0


def _row(unit: str, values: Sequence[str]) -> str:
    return f"  {unit}" + "".join(f"{value:>7}" for value in values)


def _whole(level_db: float) -> str:
    return signed(level_db, 0) if math.isfinite(level_db) and level_db > -250.0 else "–"


def _dropouts(count: int) -> str:
    return f"{count} drop-out" + ("" if count == 1 else "s")
