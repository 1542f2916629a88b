"""The sections of a comparison's page, in order."""

from __future__ import annotations

from distsweep.comparison.record import Finding
from distsweep.report.comparison import side_by_side
from distsweep.report.comparison.clean import clean_overlay, quantities_at
from distsweep.report.comparison.compared import Compared
from distsweep.report.comparison.curves import CLEAN_LEVEL, FUNDAMENTAL, GAIN_CHANGE, THD
from distsweep.report.comparison.difference_tables import difference_fold
from distsweep.report.comparison.field import clean_field, field_of
from distsweep.report.comparison.field import picture as field_picture
from distsweep.report.comparison.first_screen import first_screen, overview_blocks, ranks_first
from distsweep.report.comparison.overlay import Overlay, overlay_of, short_name
from distsweep.report.comparison.overlay_figure import picture
from distsweep.report.comparison.ranks_table import ranks_table
from distsweep.report.content import Block, Section
from distsweep.report.names import unique_names
from distsweep.words import wording

LAST_OPEN_ORDER = 5
"""Harmonics above, and those of which no difference is known, are folded (the issue's H2 to H5;
higher ones are rarely clear of the noise)."""

_ASIDE = ("h2", "h3")
"""Harmonics that are drawn at positions aside (chosen: as many as are looked at there; tables hold
all)."""

_MISLEADS = {
    FUNDAMENTAL: "A microphone 1 cm nearer at 1 m lifts everything by 0.09 dB, and moves the combs "
    "that reflections make: narrow differences may be the room's.",
    THD: "Where noise hides one side's distortion there is no difference here, large as it may be. "
    "A dip of the fundamental at one of the places makes a peak.",
    GAIN_CHANGE: "Warmer coils, and a microphone that moved between two levels, show here, too.",
    CLEAN_LEVEL: "Triangles that point up: at least; down: at most. Where only these stand the "
    "difference is bounded on one side.",
}


def all_sections(compared: Compared) -> list[Section]:
    """Every section of the page, those about nothing left out."""
    if not compared.positions:
        parts: list[Section] = []
    else:
        leading, *others = compared.positions
        folded = unique_names(compared.positions)
        parts = _at_position(compared, leading, "")
        for position, name in zip(others, folded[1:], strict=True):
            inner = _at_position(compared, position, f"{name}-")
            parts.append(Section(f"At {position}", f"at-{name}", [], inner, folded=True))
    sides = [write(compared) for write in (
        side_by_side.resonances, side_by_side.limits, side_by_side.background,
    )]  # fmt: skip
    parts += [one for one in sides if one is not None]
    parts.append(side_by_side.measured(compared))
    anchors = set(_anchors(parts))

    def anchor_of(finding: Finding) -> str:
        return next((a for a in _wanted(compared, finding) if a in anchors), "measurements")

    if compared.is_many:
        return [ranks_first(compared, anchor_of, *_ranks(compared)), *parts]
    return [first_screen(compared, anchor_of, *overview_blocks(compared)), *parts]


def _ranks(compared: Compared) -> list[Block]:
    """Return the table of ranks, where anything is ranked."""
    table = ranks_table(compared, compared.positions[0]) if compared.positions else None
    return [] if table is None else [table]


def _field_sections(compared: Compared, position: str, prefix: str) -> list[Section]:
    """Return the sections of a position where sources are many."""
    parts = []
    for quantity in (FUNDAMENTAL, THD):
        field = field_of(compared, quantity, position)
        if field is not None:
            name = f"{prefix}compared-{_sort(quantity)}"
            blocks = [field_picture(field, name, position)]
            folds = difference_fold(compared, position, quantity)
            parts.append(Section(short_name(quantity), f"{prefix}{anchor_name(quantity)}",
                                 [*blocks, *folds]))  # fmt: skip
    clean = clean_field(compared, position)
    if clean is not None:
        name = f"{prefix}compared-clean-level"
        drawn = field_picture(clean, name, position, is_clean=True)
        parts.append(Section("Highest clean level", f"{prefix}clean-level", [drawn]))
    return parts


def _at_position(compared: Compared, position: str, prefix: str) -> list[Section]:
    """Return the sections of a position; anchors and figures' names begin with ``prefix``."""
    if compared.is_many:
        return _field_sections(compared, position, prefix)
    harmonics = [f"h{order}" for order in compared.orders(position)]
    open_ones = [h for h in harmonics if _stands_open(compared, h, position)]
    higher = [
        part
        for quantity in harmonics
        if quantity not in open_ones
        and (part := _quantity(compared, quantity, position, prefix)) is not None
    ]
    made = [
        _quantity(compared, quantity, position, prefix)
        for quantity in (FUNDAMENTAL, THD, *open_ones)
    ]
    parts = [part for part in made if part is not None]
    if higher:
        title = wording.listed([part.title for part in higher])
        parts.append(Section(title, f"{prefix}higher", [], higher, folded=True))
    for part in (
        _quantity(compared, GAIN_CHANGE, position, prefix),
        _clean(compared, position, prefix),
    ):
        parts += [] if part is None else [part]
    return parts


def _stands_open(compared: Compared, harmonic: str, position: str) -> bool:
    """Tell whether a harmonic is a low one of which a difference is known."""
    if int(harmonic[1:]) > LAST_OPEN_ORDER:
        return False
    overlay = overlay_of(compared, harmonic, position)
    return overlay is not None and overlay.has_differences


def _is_drawn(overlay: Overlay, quantity: str, *, aside: bool) -> bool:
    """Tell whether a quantity has a figure: beside the leading position only the usual ones."""
    if quantity in (FUNDAMENTAL, THD):
        return True
    if aside and quantity not in _ASIDE:
        return False
    return quantity == GAIN_CHANGE or overlay.has_differences


def _quantity(compared: Compared, quantity: str, position: str, prefix: str) -> Section | None:
    """Return the figure and the table of one quantity; None where it is not compared."""
    if not compared.of(quantity, position):
        return None
    blocks: list[Block] = []
    overlay = overlay_of(compared, quantity, position)
    if overlay is not None and _is_drawn(overlay, quantity, aside=bool(prefix)):
        is_harmonic = quantity not in (FUNDAMENTAL, THD, GAIN_CHANGE)
        misleads = "" if is_harmonic else _MISLEADS[quantity]
        name = f"{prefix}compared-{_sort(quantity)}"
        blocks.append(picture(overlay, name, position, misleads=misleads))
    blocks += difference_fold(compared, position, quantity)
    if not blocks:
        return None
    return Section(short_name(quantity), f"{prefix}{anchor_name(quantity)}", blocks)


def _clean(compared: Compared, position: str, prefix: str) -> Section | None:
    blocks: list[Block] = []
    overlay = clean_overlay(compared, position)
    if overlay is not None and not prefix:
        name = f"{prefix}compared-clean-level"
        blocks.append(picture(overlay, name, position, misleads=_MISLEADS[CLEAN_LEVEL]))
    blocks += difference_fold(compared, position, *quantities_at(compared, position))
    if not blocks:
        return None
    return Section("Highest clean level", f"{prefix}clean-level", blocks)


def _sort(quantity: str) -> str:
    """Return a figure's sort with a harmonic's number behind it, as files are called."""
    named = {FUNDAMENTAL: "fundamental", THD: "thd", GAIN_CHANGE: "gain-change"}
    return named.get(quantity) or f"harmonics-{quantity[1:]}"


def anchor_name(quantity: str) -> str:
    """Return the anchor of a quantity's section."""
    return {FUNDAMENTAL: "response"}.get(quantity, quantity.replace(" ", "-"))


def _anchors(sections: list[Section]) -> list[str]:
    return [a for one in sections for a in (one.anchor, *_anchors(one.sections))]


def _wanted(compared: Compared, finding: Finding) -> list[str]:
    """Return where the evidence of a finding may stand, the nearest first."""
    quantity = finding.quantity.partition(",")[0]
    prefix = ""
    if finding.position in compared.positions[1:]:
        at = compared.positions.index(finding.position)
        prefix = f"{unique_names(compared.positions)[at]}-"
    named = anchor_name(quantity)
    by_word = {"resonance": "resonances", "limit": "limits", "threshold": "limits",
               "sensitivity": "response", "level": "response"}  # fmt: skip
    meant = [anchor for word, anchor in by_word.items() if word in quantity]
    return [f"{prefix}{named}", named, *(f"{prefix}{one}" for one in meant), *meant]
