"""Reading filters from a TOML file, and checking those that a program made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from distsweep.comparison.filters.biquad import BUTTERWORTH_Q, gain_db, is_stable
from distsweep.comparison.filters.record import (
    BIQUAD,
    HIGH_PASS,
    HIGH_SHELF,
    KINDS,
    LOW_PASS,
    LOW_SHELF,
    PEAKING,
    Filter,
)
from distsweep.errors import InputError
from distsweep.toml_input import Table, nearest, read_toml

DEFAULT_RATE_HZ = 48000.0
"""Sampling rate of filters where the file names none (chosen: that of most studio playback; up to
5 kHz the same filter at 44.1 and at 96 kHz differs by little)."""

RATES_HZ = (8000.0, 768_000.0)
"""Sampling rates that filters may run at (chosen: telephony, and the fastest converters sold)."""

LEAST_HZ = 1.0
"""Lowest frequency of a filter (chosen: a tenth of what a loudspeaker's high-pass is set to)."""

LARGEST_GAIN_DB = 40.0
"""Largest gain or cut of a filter (chosen: twice what equalisers offer; slips are larger)."""

QS, SLOPES = (0.05, 200.0), (0.05, 10.0)
"""Quality factors and shelf slopes that are read (chosen: wider than equalisers offer; below them a
bell is a gain of the whole band, above them a tone)."""

LARGEST_ORDER = 8
"""Highest order of a high-pass or low-pass (chosen: 48 dB an octave, the steepest crossovers)."""

MOST_FILTERS = 64
"""Most filters in a file (chosen: twice the bands of a graphic equaliser)."""

LARGEST_BIQUAD_GAIN_DB = 60.0
"""A biquad whose gain reaches more at some frequency is refused (chosen: coefficients at which a
list's order is turned round pass that more often than not; no equaliser does)."""

WITH_GAIN, SHELVES, PASSES = (PEAKING, LOW_SHELF, HIGH_SHELF), (LOW_SHELF, HIGH_SHELF), (
    HIGH_PASS, LOW_PASS,
)  # fmt: skip


def read_filters(path: str | Path) -> list[Filter]:
    """Read filters.

    ::

        rate_hz = 48000              # of the equaliser; 48000 where it is left out

        [[filters]]
        kind = "low shelf"           # "high shelf" likewise
        frequency_hz = 80
        gain_db = 5
        slope = 1                    # or q; without either 1
        name = "bass up"             # may be left out, of every kind

        [[filters]]
        kind = "peaking"
        frequency_hz = 1200
        gain_db = -3
        q = 2

        [[filters]]
        kind = "high-pass"           # "low-pass" likewise; order = 1 to 8 (Butterworth) or q,
        frequency_hz = 30            # without either q = 0.707

        [[filters]]
        kind = "biquad"
        rate_hz = 48000              # that these coefficients are for: must be here or at the top
        b = [1.0, -1.9, 0.91]        # of z⁰, z⁻¹, z⁻²
        a = [1.0, -1.9, 0.92]

    Raises
    ------
    InputError
        It is missing or malformed, holds no filter, or a filter that cannot be.
    """
    path = Path(path)
    whole = Table(read_toml(path), str(path))
    rate_hz = _within(whole, "rate_hz", RATES_HZ) if whole.has("rate_hz") else None
    given = whole.take("filters", None)
    whole.close()
    if given is None or given == []:
        raise InputError(f"{path}: holds no filter: add a table [[filters]]")
    if not isinstance(given, list):
        raise InputError(f"{path}: filters must be tables [[filters]], each with two brackets")
    if len(given) > MOST_FILTERS:
        raise InputError(f"{path}: holds {len(given)} filters: {MOST_FILTERS} are the most")
    return [
        _filter(Table(one, f"{path}, [[filters]] number {number}"), rate_hz)
        for number, one in enumerate(given, start=1)
    ]


def checked(filters: Sequence[Filter | dict[str, Any]]) -> list[Filter]:
    """Return filters that a program made, checked as those of a file are.

    A dict holds the keys of a file's table, and may hold ``rate_hz``.

    Raises
    ------
    InputError
        There is none, one cannot be, or they are no filters.
    """
    if not filters:
        raise InputError("filters: there is none: give one or more")
    if isinstance(filters, (str, Path, dict)) or not all(
        isinstance(one, (dict, Filter)) for one in filters
    ):
        raise InputError("filters: give what read_filters returns, or a list of dicts")
    found = []
    for number, one in enumerate(filters, start=1):
        given = one if isinstance(one, dict) else {
            key: list(value) if isinstance(value, tuple) else value
            for key, value in vars(one).items() if value is not None
        }  # fmt: skip
        found.append(_filter(Table(given, f"filters, number {number}"), None))
    return found


def _filter(table: Table, file_rate_hz: float | None) -> Filter:
    kind = table.text("kind")
    if kind not in KINDS:
        table.fail("kind", f"is {kind!r}{nearest(kind, KINDS)}")
    if table.has("rate_hz") or (kind == BIQUAD and file_rate_hz is None):
        rate_hz = _within(table, "rate_hz", RATES_HZ)
    else:
        rate_hz = file_rate_hz or DEFAULT_RATE_HZ
    name = table.text("name", None)
    if kind == BIQUAD:
        found = _biquad(table, rate_hz, name)
    else:
        frequency_hz = table.number("frequency_hz")
        if frequency_hz < LEAST_HZ:
            table.fail("frequency_hz", f"is {frequency_hz:g}: must be {LEAST_HZ:g} or more")
        if frequency_hz >= rate_hz / 2.0:
            table.fail(
                "frequency_hz",
                f"is {frequency_hz:g}: must be below half the rate ({rate_hz / 2.0:g}); set rate_hz"
                " to that of the equaliser",
            )
        found = Filter(kind, rate_hz, frequency_hz, name=name, **_shape(table, kind))
    table.close()
    return found


def _shape(table: Table, kind: str) -> dict[str, Any]:
    """Read gain and width of a filter that is not given by its coefficients."""
    gain: float | None = None
    if kind in WITH_GAIN:
        gain = _within(table, "gain_db", (-LARGEST_GAIN_DB, LARGEST_GAIN_DB))
    q, slope, order = table.take("q", None), None, None
    other = "slope" if kind in SHELVES else "order" if kind in PASSES else None
    if other is not None and table.has("q") and table.has(other):
        table.fail(other, f"stands beside q: give one of them, q or {other}")
    if kind in SHELVES and not table.has("q"):
        slope = _within(table, "slope", SLOPES, 1.0)
        _check_slope(table, slope, gain or 0.0)
    elif kind in PASSES and table.has("order"):
        order = table.whole("order", least=1)
        if order > LARGEST_ORDER:
            table.fail("order", f"is {order}: must be {LARGEST_ORDER} or less")
    else:
        q = _within(table, "q", QS, BUTTERWORTH_Q if kind in PASSES else ...)
    return {"gain_db": gain, "q": q, "slope": slope, "order": order}


def _check_slope(table: Table, slope: float, gain: float) -> None:
    """Refuse a slope so steep that the cookbook's formula has no real answer."""
    root = 10.0 ** (gain / 40.0)
    if (root + 1.0 / root) * (1.0 / slope - 1.0) + 2.0 <= 1e-6:
        most = 1.0 / (1.0 - 2.0 / (root + 1.0 / root))
        table.fail("slope", f"is {slope:g}: with {gain:g} dB it must be below {most:.2f}")


def _biquad(table: Table, rate_hz: float, name: str | None) -> Filter:
    b, a = table.numbers("b", count=3), table.numbers("a", count=3)
    if a[0] == 0.0:
        table.fail("a", "begins with 0: its first coefficient, of the output itself, is mostly 1")
    if not any(b):
        table.fail("b", "is all 0: such a filter lets nothing through")
    if not is_stable(a):
        table.fail(
            "a", f"is {list(a)}: such a filter is unstable; its coefficients are those of z⁰, z⁻¹,"
            " z⁻², and some programs turn the signs of the last two round",
        )  # fmt: skip
    found = Filter(BIQUAD, rate_hz, b=b, a=a, name=name)
    grid_hz = np.geomspace(LEAST_HZ, 0.499 * rate_hz, 2000)
    most = float(np.max(gain_db([found], grid_hz)))
    if not math.isfinite(most) or most > LARGEST_BIQUAD_GAIN_DB:
        table.fail(
            "b", f"gives a gain of {most:.0f} dB: must be {LARGEST_BIQUAD_GAIN_DB:g} or less"
        )
    return found


def _within(table: Table, key: str, ends: tuple[float, float], default: Any = ...) -> float:
    """Read a number between two ends."""
    value = table.number(key, default)
    if not ends[0] <= value <= ends[1]:
        table.fail(key, f"is {value:g}: must be {ends[0]:g} to {ends[1]:g}")
    return float(value)
