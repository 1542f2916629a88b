"""CSV of what holds the output back: limiters by band and by tone, and onsets of compression."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from distsweep.report.csv_text import Column, as_csv, as_text, as_wide_csv
from distsweep.results import LimiterNumbers, Results, Staircase, Take

LIMIT_COLUMNS = (
    "position", "stimulus", "from", "tone_hz", "band_low_hz", "band_high_hz", "kind",
    "threshold_dbfs", "threshold_low_dbfs", "threshold_high_dbfs", "ratio", "ratio_low",
    "ratio_high", "knee_db", "attack_ms", "release_ms", "fit_rms_db", "onset_dbfs",
    "drive_at_1db_dbfs", "drive_at_3db_dbfs", "falling_minus_rising_db", "thermal_depth_db",
    "thermal_time_constant_s", "high_order_onset_dbfs",
)  # fmt: skip
"""Columns, in order; see `distsweep.results.LimiterNumbers` and `ToneLevels`.

``from`` is "ladder", a row a band, or "staircase", a row a tone. ``kind`` is empty where nothing
can be said, and "none" where nothing acts. An empty ``ratio`` of a "limiter" is infinite: 20 or
more.
"""

_NUMBERS = LIMIT_COLUMNS[7:17]


def limits_table(results: Results) -> str | None:
    """Text of the CSV of every take's limiters; None where no take was judged."""
    lines = [line for take in results.takes for line in _lines(take)]
    return as_csv([LIMIT_COLUMNS, *lines]) if lines else None


def onset_table(take: Take) -> str | None:
    """Text of the CSV of the drives at which a ladder's gain falls; None without compression."""
    found = take.compression
    if found is None:
        return None
    columns = [Column("Frequency Hz", take.frequency_hz, 3)]
    for loss, drives_dbfs in (
        ("0.5", found.onset_dbfs),
        ("1", found.drive_at_1db_dbfs),
        ("3", found.drive_at_3db_dbfs),
    ):
        if drives_dbfs.size:
            columns.append(Column(f"Drive dBFS where gain has fallen by {loss} dB", drives_dbfs, 2))
    return as_wide_csv(columns)


def _lines(take: Take) -> Iterator[list[str]]:
    for limiter in take.limiters:
        none = [""] * (len(LIMIT_COLUMNS) - 17)
        yield [take.position, take.stimulus, "ladder", "", *_limiter(limiter), *none]
    for row in take.staircase:
        named = [take.position, take.stimulus, "staircase", as_text(row.frequency_hz)]
        yield [*named, *_limiter(row.limiter), *_tone(row)]


def _limiter(limiter: LimiterNumbers | None) -> list[str]:
    """Return the cells from the band to the fit."""
    if limiter is None:
        return [""] * 13
    band: Sequence[float | None] = limiter.band_hz or (None, None)
    numbers = [as_text(getattr(limiter, name)) for name in _NUMBERS]
    return [*map(as_text, band), limiter.kind, *numbers]


def _tone(row: Staircase) -> list[str]:
    """Return what only a staircase has."""
    heat = row.thermal
    values = (
        row.onset_dbfs,
        row.drive_at_1db_dbfs,
        row.drive_at_3db_dbfs,
        row.difference_db,
        None if heat is None else heat.depth_db,
        None if heat is None else heat.time_constant_s,
        row.high_order_onset_dbfs,
    )
    return [as_text(value) for value in values]
