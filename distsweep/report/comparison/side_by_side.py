"""What stands side by side: resonances, limits, background, and how each source was measured."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import PurePath

from distsweep.comparison.record import ResonanceChange, Source
from distsweep.report.background.section import background_of
from distsweep.report.comparison.compared import Compared
from distsweep.report.content import Block, Cell, Paragraph, Points, Section, Table
from distsweep.report.limits.limiter_words import limiter_words
from distsweep.results import AXIS, Results, Take, first_take
from distsweep.words import wording

_MOST_BESIDE = 4
"""More sources than these stand below each other, a row each (chosen: wider tables wrap)."""

_MOST_ROWS = 12
"""A longer table of resonances is folded (chosen: about a screen)."""

_NOTHING = Cell("—", pale=True)
_STATES = {"same": "no difference seen", "cannot tell": "cannot tell"}


def resonances(compared: Compared) -> Section | None:
    """Resonances that moved, went or came, then those alike; None where none was compared."""
    changes = compared.comparison.resonances
    if not changes:
        return None
    order = {"moved": 0, "gone": 1, "new": 1, "cannot tell": 2, "same": 3}
    ranked = sorted(changes, key=lambda one: (order.get(one.state, 2), -one.deviations))
    is_pair = len(compared.names) == 2
    names = compared.names if is_pair else [compared.names[0], "Other"]
    columns = ["Change", *([] if is_pair else ["Source"]), "Kind",
               *(f"{name}: Hz, Q" for name in names), "Frequency differs by"]  # fmt: skip
    rows = [_resonance_row(one, [] if is_pair else [compared.names[one.source]]) for one in ranked]
    caption = "Matched by frequency, kind and Q; with the 95 % interval."
    if any(one.at_one_temperature for one in changes):
        caption += " “At one temperature”: modes of a box or pipe, whose air changes with it."
    blocks: list[Block] = [Table(caption, columns, rows)]
    sentences = [one.sentence for one in ranked if one.sentence and one.state != "same"]
    blocks += [Points(sentences)] if sentences and is_pair else []
    many = len(rows) > _MOST_ROWS
    lead = f"{len(rows)} that are in one of the sources, or in both." if many else ""
    return Section("Resonances", "resonances", blocks, folded=many, lead=lead)


def _resonance_row(one: ResonanceChange, source: list[str]) -> list[Cell]:
    state = _STATES.get(one.state, one.state)
    return [
        Cell(state),
        *map(Cell, source),
        Cell(one.kind),
        _resonance_cell(one.frequency_hz, one.q),
        _resonance_cell(one.other_hz, one.other_q),
        _change_cell(one),
    ]


def _resonance_cell(frequency_hz: float | None, q: float | None) -> Cell:
    if frequency_hz is None:
        return _NOTHING
    return Cell(wording.whole_hertz(frequency_hz), "" if q is None else f"Q {q:.0f}")


def _change_cell(one: ResonanceChange) -> Cell:
    if one.change_percent is None:
        return _NOTHING
    below = ""
    if one.low_percent is not None and one.high_percent is not None:
        ends = wording.with_sign(one.low_percent, 2), wording.with_sign(one.high_percent, 2)
        below = f"{ends[0]} to {ends[1]}"
    if one.at_one_temperature:
        below = f"{below}, at one temperature".removeprefix(", ")
    return Cell(wording.with_unit(wording.with_sign(one.change_percent, 2), "%"), below)


def limits(compared: Compared) -> Section | None:
    """What holds each source back; None where no source was judged."""
    rows = []
    for position in _positions(compared.sources):
        ladders = [first_take(one.takes, position, kind="ladder") for one in compared.sources]
        if any(take is not None and take.limiters for take in ladders):
            rows.append([Cell(f"Sweep, {position}"), *map(_ladder_cell, ladders)])
        stairs = [first_take(one.takes, position, kind="staircase") for one in compared.sources]
        tones = {row.frequency_hz for take in stairs if take for row in take.staircase}
        rows += [
            [
                Cell(f"{wording.frequency(tone)} tone, {position}"),
                *(_tone_cell(take, tone) for take in stairs),
            ]
            for tone in sorted(tones)
        ]
    if not rows:
        return None
    table = _beside(
        "What holds back, its ratio, threshold and band.", "Played", compared.names, rows
    )
    return Section("Limits", "limits", [table])


def _ladder_cell(take: Take | None) -> Cell:
    if take is None or not take.limiters:
        return _NOTHING
    lines = []
    for one in take.limiters:
        words = limiter_words(one).replace("\n", ", ")
        band = f" ({wording.frequency_range(*one.band_hz)})" if one.band_hz else ""
        lines.append(f"{words}{band}")
    return Cell(lines[0], "; ".join(lines[1:]))


def _tone_cell(take: Take | None, tone_hz: float) -> Cell:
    row = next((r for r in take.staircase if r.frequency_hz == tone_hz), None) if take else None
    if row is None or row.limiter is None:
        return _NOTHING
    first, _, below = limiter_words(row.limiter).partition("\n")
    return Cell(first, below.replace("\n", ", "))


def background(compared: Compared) -> Section | None:
    """The background of each source, at the position that levels are quoted at."""
    takes = [_leading(one) for one in compared.sources]
    found = [
        None if take is None else background_of(results, take)
        for results, take in zip(compared.sources, takes, strict=True)
    ]
    if not any(found):
        return None
    units = ["" if take is None else wording.level_unit(take) for take in takes]
    rows = [
        [
            Cell(name),
            *(
                _level_cell(None if one is None else getattr(one, key), unit)
                for one, unit in zip(found, units, strict=True)
            ),
        ]
        for name, key in (("Level", "level_db"), ("A-weighted", "a_weighted_db"))
    ]
    hum = [Cell("Strongest hum")]
    for one, unit in zip(found, units, strict=True):
        tones = [t for t in one.hum if math.isfinite(t.level_db)] if one else []
        worst = max(tones, key=lambda tone: tone.level_db, default=None)
        hum.append(
            _NOTHING
            if worst is None
            else Cell(wording.decibels(worst.level_db, unit), wording.frequency(worst.frequency_hz))
        )
    table = _beside("While nothing was played.", "Noise", compared.names, [*rows, hum])
    return Section("Background", "background", [table], folded=True)


def _level_cell(level: float | None, unit: str) -> Cell:
    known = level is not None and math.isfinite(level)
    return Cell(wording.decibels(level, unit)) if known and level is not None else _NOTHING


def measured(compared: Compared) -> Section:
    """How each source was measured, and by what it was analysed."""
    given = compared.comparison.sources
    columns = [_facts(one, of) for one, of in zip(given, compared.sources, strict=True)]
    rows = [
        [Cell(name), *(_text_cell(column[name]) for column in columns)]
        for name in columns[0]
        if any(column[name] for column in columns)
        and (name != "Name" or [column[name] for column in columns] != compared.names)
    ]
    tests = compared.comparison.tests
    blocks: list[Block] = [_beside("As it was noted.", "Noted", compared.names, rows)]
    if tests:
        blocks.append(
            Paragraph(
                f"“Beyond doubt”: {tests} statements were tried, and each had to reach "
                f"{compared.comparison.deviations:.1f} standard deviations, so that of alike "
                "loudspeakers one comparison in twenty finds anything."
            )
        )
    return Section("The measurements", "measurements", blocks)


def _text_cell(text: str) -> Cell:
    """Return a cell in which a long word, a path for instance, may be broken."""
    return Cell(re.sub(r"(\S{16})(?=\S)", "\\1\N{ZERO WIDTH SPACE}", text)) if text else _NOTHING


def _facts(source: Source, results: Results) -> dict[str, str]:
    conditions, calibration = results.conditions, results.calibration
    take = _leading(results)
    positions = list(dict.fromkeys(one.position for one in results.takes))
    spl = calibration.spl_at_0dbfs_db
    return {
        "Name": source.name,
        "Loudspeaker": source.device or "",
        "Measured on": str(conditions.date or source.date or ""),
        "Positions": ", ".join(positions),
        "Distance": _with_unit(results.distance_m_at(), "m"),
        "Temperature": _with_unit(conditions.temperature_c, "°C"),
        "Drives": _drives(take),
        "0 dBFS is": "" if spl is None else wording.decibels(spl, "dB SPL"),
        "Microphone correction": str(calibration.mic_correction or ""),
        "Analysed by": f"distsweep {source.version}" if source.version else "",
        "File": PurePath(source.place).name if source.place else "",
    }


def _drives(take: Take | None) -> str:
    drives = sorted(rung.drive_dbfs for rung in take.rungs) if take else []
    if not drives:
        return ""
    return f"{len(drives)} from {wording.plain(drives[0])} to {wording.drive(drives[-1])}"


def _with_unit(value: object, unit: str) -> str:
    return "" if value is None else wording.with_unit(f"{value:g}", unit)


def _leading(results: Results) -> Take | None:
    at_axis = first_take(results.takes, AXIS)
    return at_axis or (results.takes[0] if results.takes else None)


def _positions(sources: Sequence[Results]) -> list[str]:
    found = dict.fromkeys(take.position for one in sources for take in one.takes)
    return sorted(found, key=lambda position: position != AXIS)


def _beside(caption: str, head: str, names: Sequence[str], rows: list[list[Cell]]) -> Table:
    """Return a table with a column a source; of many, a row a source."""
    if len(names) <= _MOST_BESIDE:
        return Table(caption, [head, *names], rows)
    turned = [
        [Cell(name), *(row[index] for row in rows)] for index, name in enumerate(names, start=1)
    ]
    return Table(caption, ["Source", *(row[0].text for row in rows)], turned)
