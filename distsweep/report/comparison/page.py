"""The folder with a comparison's page and its figures."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from distsweep.comparison.record import Comparison
from distsweep.report.comparison.compared import Compared, level_words
from distsweep.report.comparison.sections import all_sections
from distsweep.report.page import Head, write_page
from distsweep.report.stamp import Stamp, stamp_of
from distsweep.report.style import DEFAULT_STYLE, Style
from distsweep.results import Results
from distsweep.words import wording


def write_comparison_report(
    comparison: Comparison,
    sources: Sequence[Results],
    folder: Path,
    *,
    workers: int = 1,
    style: Style = DEFAULT_STYLE,
) -> Path:
    """Write the report of a comparison as a folder, whole or not at all.

    Parameters
    ----------
    comparison : what differs.
    sources : the results compared, in the order of ``comparison.sources``.
    folder : to make; a report that stands there already is replaced.
    workers : processes that draw figures.
    style : house style.

    Returns
    -------
    Path
        The page, ``folder/report.html``, which needs no other file.

    Raises
    ------
    InputError
        ``folder`` cannot be written, or holds something that is not part of a report.
    """
    compared = Compared(comparison, list(sources))
    return write_page(
        Head(_title(compared), _conditions(compared), "comparison", "comparison.json"),
        lambda: all_sections(compared), folder,
        stamp_at=partial(_stamp, compared), workers=workers, style=style,
    )  # fmt: skip


def _title(compared: Compared) -> str:
    first, *others = compared.names
    if compared.is_many:
        return f"{len(compared.names)} loudspeakers"
    return f"{wording.listed(others)} against {first}"


def _conditions(compared: Compared) -> str:
    """Say in a line what is compared with what, and what was equal."""
    comparison = compared.comparison
    parts = [level_words(comparison.aligned, []), f"the reference is {compared.names[0]}"]
    distances = {one.distance_m_at() for one in compared.sources}
    if len(distances) == 1 and (distance := distances.pop()) is not None:
        parts.append(f"microphone at {distance:g} m")
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def _stamp(compared: Compared, position: str, style: Style) -> Stamp:
    """Return what stands at the foot of a figure's file: the sources, and where."""
    names = compared.names[:_MOST_NAMES]
    more = len(compared.names) - len(names)
    parts = [*names, *([f"{more} more"] if more else []), *([f"at {position}"] if position else [])]
    return stamp_of(parts, style)


_MOST_NAMES = 4  # at a figure's foot (chosen: two lines)
