"""The sections of a page on what filters cost."""

from __future__ import annotations

import numpy as np

from distsweep.comparison.filters.biquad import gain_db
from distsweep.comparison.filters.findings import FAR_BELOW_DB, KNOWN_DB, known
from distsweep.comparison.filters.names import name_of
from distsweep.comparison.filters.record import AtLevel, Filter, FilteredTake, Limit
from distsweep.comparison.record import Finding
from distsweep.report.comparison import overview
from distsweep.report.comparison.curves import FUNDAMENTAL, THD
from distsweep.report.comparison.difference_tables import difference_fold
from distsweep.report.comparison.filters.gain_figure import gain_picture
from distsweep.report.comparison.filters.predicted import (
    HEADROOM_TO,
    Predicted,
    at_level,
    overlay_at_levels,
)
from distsweep.report.comparison.first_screen import first_screen
from distsweep.report.comparison.overlay import short_name
from distsweep.report.comparison.overlay_figure import picture
from distsweep.report.comparison.overview import Row
from distsweep.report.content import Block, Cell, Section, Table
from distsweep.report.names import unique_names
from distsweep.words import wording

_HEADROOM_MISLEADS = (
    "For one sine at a time: music drives a limiter with all its frequencies at once, and has less."
)
_FIRST_ROWS = (FUNDAMENTAL, THD, "h2", "h3")


def all_sections(what: Predicted) -> list[Section]:
    """Every section of the page, those about nothing left out."""
    parts: list[Section] = []
    names = unique_names(take.position for take in what.takes)
    for number, (take, name) in enumerate(zip(what.takes, names, strict=True)):
        prefix = f"{name}-" if number else ""
        inner = _at_position(what, take, prefix)
        if number:
            inner = [Section(f"At {take.position}", f"at-{name}", [], inner, folded=True)]
        parts += inner
    parts.append(_filters(what))
    rows = _rows(what)
    position = what.takes[0].position if what.takes else ""
    figure = overview.picture(rows, position, bars="Bars: the places named above.")
    first: list[Block] = [] if figure is None else [figure]

    def anchor_of(finding: Finding) -> str:
        known = {one.anchor for one in parts}
        return next((a for a in (finding.quantity.split()[0], "filters") if a in known), "filters")

    return [
        first_screen(
            what, anchor_of, *first, title="What the filters cost",
            conditions="How far the prediction goes:",
        ),
        *parts,
    ]  # fmt: skip


def _rows(what: Predicted) -> list[Row]:
    """Return the rows of the first figure: what filters change at the first position."""
    if not what.takes:
        return []
    take = what.takes[0]
    # The change is that of every limit, and known wherever a limit is: the widest one shows it.
    widest = sorted(take.limits, key=lambda one: -int(np.isfinite(one.drive_dbfs.values).sum()))
    limits = [HEADROOM_TO + one.name for one in widest[:1]]
    rows = []
    for quantity in (*_FIRST_ROWS, *limits):
        overlay = overlay_at_levels(what, take, quantity)
        if overlay is not None and overlay.has_differences:
            is_headroom = quantity.startswith(HEADROOM_TO)
            # A finding without an interval says that hardly anything changes.
            found = [f for f in what.comparison.findings if is_headroom and f.quantity == "headroom"
                     and f.low_db is not None and f.source in what.drawn]  # fmt: skip
            name = "Headroom to every limit" if is_headroom else short_name(quantity)
            rows.append(Row(name, quantity, overlay, found))
    return rows


def _at_position(what: Predicted, take: FilteredTake, prefix: str) -> list[Section]:
    """Return the sections of a position; anchors and figures' names begin with ``prefix``."""
    parts = [_headroom(what, take, prefix)]
    parts += [_quantity(what, take, quantity, prefix) for quantity in (FUNDAMENTAL, THD)]
    harmonics = [_quantity(what, take, f"h{order}", prefix) for order in what.orders(take.position)]
    shown = [one for one in harmonics if one is not None]
    if shown:
        title = "Harmonics" if len(shown) > 1 else shown[0].title
        parts.append(Section(title, f"{prefix}harmonics", [], shown, folded=True))
    return [part for part in parts if part is not None]


def _quantity(what: Predicted, take: FilteredTake, quantity: str, prefix: str) -> Section | None:
    overlay = overlay_at_levels(what, take, quantity)
    if overlay is None:
        return None
    sort = {FUNDAMENTAL: "fundamental", THD: "thd"}.get(quantity) or f"harmonics-{quantity[1:]}"
    blocks: list[Block] = [
        picture(overlay, f"{prefix}compared-{sort}", take.position, misleads=""),
        *difference_fold(what, take.position, quantity),
    ]
    anchor = {FUNDAMENTAL: "response"}.get(quantity, quantity)
    return Section(short_name(quantity), f"{prefix}{anchor}", blocks)


def _headroom(what: Predicted, take: FilteredTake, prefix: str) -> Section | None:
    """Return the least headroom to each limit, and a figure of the first limit."""
    if not take.limits:
        return None
    blocks: list[Block] = [
        table
        for level in what.shown_levels(HEADROOM_TO + take.limits[0].name, take.position)
        if (table := _least_headroom(what, take, level)) is not None
    ]
    for number, limit in enumerate(_drawn_limits(take), start=1):
        overlay = overlay_at_levels(what, take, HEADROOM_TO + limit.name)
        if overlay is not None:
            name = f"{prefix}compared-clean-level-{number}"
            blocks.append(picture(overlay, name, take.position, misleads=_HEADROOM_MISLEADS))
    blocks += difference_fold(what, take.position, HEADROOM_TO + take.limits[0].name)
    return Section("Headroom", f"{prefix}headroom", blocks) if blocks else None


def _drawn_limits(take: FilteredTake) -> list[Limit]:
    """Return the first limit, and the strictest clean level by distortion and compression.

    Filters change the headroom to every limit alike, and the table holds what is left of each.
    """
    both = [
        limit
        for limit in take.limits[1:]
        if limit.thd_percent is not None and limit.compression_db is not None
    ]
    return [*take.limits[:1], *both[:1]]


def _least_headroom(what: Predicted, take: FilteredTake, level: float) -> Table | None:
    """Return where a sine comes nearest to each limit, without and with filters."""
    sources = range(len(what.names))
    ats = [at_level(take, max(source, 1), level) for source in sources]
    rows = []
    for limit in take.limits:
        cells = [
            least_cell(take, at, limit.name, filtered=source > 0)
            for source, at in zip(sources, ats, strict=True)
        ]
        if any(not cell.pale for cell in cells):
            rows.append([Cell(limit.name), *cells])
    if not rows:
        return None
    unit = "dB SPL" if take.level_unit == "dB SPL" else "dBFS"
    caption = (
        f"Least headroom at {wording.with_unit(wording.plain(level), unit)}, dB, and where: "
        f"frequencies are left out at which the loudspeaker gives {FAR_BELOW_DB:g} dB less than "
        f"that, or where headroom may be over {KNOWN_DB:g} dB less. Below 0: past the limit."
    )
    return Table(caption, ["Limit", *what.names], rows)


def least_cell(take: FilteredTake, at: AtLevel | None, limit: str, *, filtered: bool) -> Cell:
    """Return the least headroom to a limit among what is known well enough, and where."""
    room = next((one for one in at.headroom if one.limit == limit), None) if at else None
    if room is None or at is None:
        return Cell("—", "not known", pale=True)
    curve = room.filtered_db if filtered else room.without_db
    fundamental = at.filtered_fundamental_db if filtered else at.fundamental_db
    used = fundamental.values >= at.level_db - FAR_BELOW_DB
    there = used & known(curve)
    # "At least" says nothing of the least, where a value is known elsewhere.
    stated = there & np.isfinite(curve.high)
    values = np.where(stated if stated.any() else there, curve.values, np.inf)
    place = int(np.argmin(values))
    if not np.isfinite(values[place]):
        return Cell("—", "not known", pale=True)
    where = f"at {wording.frequency(float(take.frequency_hz[place]))}"
    text = wording.signed(float(values[place]))
    return Cell(f"≥ {text}" if np.isposinf(curve.high[place]) else text, where)


def _filters(what: Predicted) -> Section:
    """Return the filters as they were given, and their gain."""
    rows = [[Cell(name_of(one)), *_filter_cells(one)] for one in what.found.filters]
    table = Table(
        "As they were given.", ["Filter", "Frequency", "Gain", "Q or slope", "Rate"], rows
    )
    blocks: list[Block] = []
    if what.takes:
        grid = what.takes[0].frequency_hz
        gains = [gain_db([what.found.filters[i] for i in one.filters], grid)
                 for one in what.takes[0].filtered]  # fmt: skip
        blocks.append(gain_picture(what, grid, gains))
    return Section("The filters", "filters", [*blocks, table])


def _filter_cells(one: Filter) -> list[Cell]:
    nothing = Cell("—", pale=True)
    if one.q is not None:
        shape = f"Q {one.q:.3g}"
    elif one.slope is not None:
        shape = f"slope {one.slope:.3g}"
    else:
        shape = "" if one.order is None else f"order {one.order}"
    return [
        nothing if one.frequency_hz is None else Cell(wording.frequency(one.frequency_hz)),
        nothing if one.gain_db is None
        else Cell(wording.with_unit(wording.with_sign(one.gain_db), "dB")),
        Cell(shape) if shape else nothing,
        Cell(wording.with_unit(f"{one.rate_hz:g}", "Hz")),
    ]  # fmt: skip
