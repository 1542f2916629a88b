"""Numbers, units, lists and ordinals as all that is read writes them: a true minus, few digits."""

from __future__ import annotations

import math
from collections.abc import Sequence

from distsweep.results import Rung, Take

EXCITATION_AXIS = "Excitation frequency, Hz"
"""Label of every axis of the frequency that was played."""

HEARD_AXIS = "Frequency heard, Hz"
"""Label of an axis on which a harmonic stands at its own frequency, n times the one played."""

_SPACE = "\N{NO-BREAK SPACE}"  # keeps a number and its unit on one line


def signed(number: float, decimals: int = 1) -> str:
    """Write a number with the minus sign that is meant, and no negative zero."""
    text = f"{number:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def decibels(level_db: float, unit: str = "dB", decimals: int = 1) -> str:
    """Write a level with its unit; one decimal or as many as given."""
    return f"{signed(level_db, decimals)}{_SPACE}{unit}"


def percent(value: float) -> str:
    """Write a percentage with two significant digits; whole from 10 up."""
    if value <= 0.0 or not math.isfinite(value):
        return f"0{_SPACE}%"
    return f"{_rounded(value, 2)}{_SPACE}%"


def _rounded(value: float, digits: int, *, up: bool = False) -> str:
    """Write a positive number with so many significant digits; whole where it has more."""
    decimals = min(max(0, digits - 1 - math.floor(math.log10(value))), 6)
    if up:
        value = math.ceil(value * 10.0**decimals - 1e-6) / 10.0**decimals
    return f"{value:.{decimals}f}"


EXACT_DB = 0.5
"""Half-width up to which a level is written to 0.1 dB, and a ratio with two digits (chosen: 0.5 dB
are 6 %, about what a second digit says). Up to a tenth of it a level may have two decimals."""


def known_places(half_width_db: float, most: int = 1) -> int:
    """Return the decimals that an interval leaves known of a level, ``most`` at most.

    They are ``most`` where the interval is not known (NaN).
    """
    if not math.isfinite(half_width_db):
        return most
    places = 0
    while places < most and half_width_db <= EXACT_DB * 10.0**-places + 1e-9:
        places += 1
    return places


def known_percent(
    value: float, low: float, high: float, *, about: str = "about ", most: str = "at most "
) -> str:
    """Write a percentage rounded to what its interval leaves known: "0.31 %", "about 0.3 %".

    Where the low end is nothing (0 or NaN) only the high end stands, rounded up: "at most 0.5 %".
    Without an interval (both NaN) the value stands as `percent` writes it.
    """
    if not math.isfinite(high) or high <= 0.0:
        return percent(value)
    if not low > 0.0:
        return f"{most}{_rounded(high, 2, up=True)}{_SPACE}%"
    if high / low <= 10.0 ** (2.0 * EXACT_DB / 20.0):
        return percent(value)
    short = _rounded(value, 1)
    inside = low <= float(short) <= high
    return f"{about}{short if inside else _rounded(value, 2)}{_SPACE}%"


def known_decibels(
    value_db: float,
    low_db: float,
    high_db: float,
    *,
    about: str = "about ",
    most: str = "at most ",
    decimals: int = 1,
) -> str:
    """Write a level rounded to what its interval leaves known: "−50.3 dB", "about −50 dB".

    Where only the high end is finite it stands, rounded up: "at most −49 dB". ``decimals`` are
    those of a level that is known well enough, or without an interval (both ends NaN).
    """
    if math.isfinite(high_db) and not math.isfinite(low_db):
        return f"{most}{decibels(math.ceil(high_db - 1e-6), decimals=0)}"
    places = known_places((high_db - low_db) / 2.0, decimals)
    return f"{'' if places else about}{decibels(value_db, decimals=places)}"


def percent_between(low: float, high: float) -> str:
    """Write what a percentage lies between: "0.12 to 0.55 %"."""
    return f"{_rounded(low, 2)} to {percent(high)}"


def give_or_take(value: float, low: float, high: float) -> str:
    """Write a value and how far its interval reaches to the farther side: "77.3 ± 0.4".

    The distance is rounded up, so that it holds the interval.
    """
    away = math.ceil(10.0 * max(value - low, high - value) - 1e-6) / 10.0
    return f"{signed(value)} ± {max(away, 0.1):.1f}"


def short_frequency(frequency_hz: float) -> str:
    """Write a frequency as axis ticks do: 50, 315, 1k, 1.25k."""
    if frequency_hz >= 1000.0:
        return f"{frequency_hz / 1000.0:.3g}k"
    return f"{frequency_hz:.3g}"


def frequency(frequency_hz: float) -> str:
    """Write a frequency with three significant digits: "47.3 Hz", "1.25 kHz"."""
    rounded = float(f"{frequency_hz:.3g}")
    if rounded >= 1000.0:
        return f"{rounded / 1000.0:.3g}{_SPACE}kHz"
    return f"{rounded:.3g}{_SPACE}Hz"


def frequency_range(low_hz: float, high_hz: float) -> str:
    """Write a range of frequencies, "31.5 Hz to 9.6 kHz"."""
    return f"{frequency(low_hz)} to {frequency(high_hz)}"


def confidence(share: float) -> str:
    """Write a confidence: none is certain."""
    return "> 0.99" if share > 0.99 else f"{share:.2f}"


def drive(drive_dbfs: float) -> str:
    """Write a rung's drive, "−10 dBFS"; a decimal only where there is one."""
    return f"{plain(drive_dbfs)}{_SPACE}dBFS"


def plain(number: float) -> str:
    """Write a number with at most one decimal, and none where it is whole."""
    whole = abs(number - round(number)) < 0.05
    return signed(number, 0 if whole else 1)


def level_unit(take: Take) -> str:
    """Unit of the take's levels: one of the two that the contract knows, whatever the file says."""
    return "dB SPL" if take.level_unit == "dB SPL" else "dBFS"


def level_axis(take: Take) -> str:
    """Label of an axis of levels; it says so when nothing was calibrated."""
    unit = level_unit(take)
    return f"Level, {unit}" if unit == "dB SPL" else f"Level, {unit} (uncalibrated)"


def rung_name(rung: Rung) -> str:
    """Name of a rung in running text: its drive, and its level where that is known."""
    if rung.spl_db is None or not math.isfinite(rung.spl_db):
        return drive(rung.drive_dbfs)
    return f"{drive(rung.drive_dbfs)} ({decibels(rung.spl_db, 'dB SPL')})"


def ordinal(order: int) -> str:
    """Write "2nd", "3rd", "4th" …"""
    ending = {1: "st", 2: "nd", 3: "rd"}.get(order % 10, "th")
    return f"{order}{'th' if order % 100 in (11, 12, 13) else ending}"


def listed(names: Sequence[str]) -> str:
    """Write a list as running text: "a", "a and b", "a, b and c"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def clock_time(time_s: float) -> str:
    """Write a place in a recording as players show it: "0:07", "12:30", "1:02:03"."""
    minutes, seconds = divmod(int(time_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def with_sign(number: float, decimals: int = 1) -> str:
    """Write a difference with its sign: "+0.5", "−3.0"."""
    text = signed(number, decimals)
    return text if text.startswith("−") else f"+{text}"


def as_given(number: float, digits: int = 6) -> str:
    """Write a number with as many digits as it has, up to ``digits``: "−28", "0.25"."""
    return f"{number:.{digits}g}".replace("-", "−")


def with_unit(number: str, unit: str) -> str:
    """Keep a number that is written already and its unit on one line."""
    return f"{number}{_SPACE}{unit}"


def share_of(share: float) -> str:
    """Write a share; never "100 %" or "0 %" for what is not quite all or nothing."""
    if share >= 0.995:
        return "all but a trace" if share < 1.0 else "all"
    return "under 1 %" if share < 0.01 else f"{100.0 * share:.0f} %"


def whole_hertz(frequency_hz: float) -> str:
    """Write a frequency in whole hertz, "1253 Hz": where neighbours must be told apart."""
    return with_unit(signed(frequency_hz, 0), "Hz")


def span(ends: Sequence[float | None], unit: str) -> str:
    """Write what a value lies between: "a to b dB", "above a dB", "below b dB"; "" without ends."""
    low, high = ends
    if low is None or high is None:
        end, side = (high, "below") if low is None else (low, "above")
        return "" if end is None else f"{side} {decibels(end, unit)}".rstrip()
    return (
        decibels(low, unit) if low == high else f"{signed(low)} to {decibels(high, unit)}"
    ).rstrip()


def listing(numbers: Sequence[float], between: str = ", ") -> str:
    """Write numbers as they were given, "−20, −10": ``between`` stands between two."""
    return between.join(as_given(number) for number in numbers)
