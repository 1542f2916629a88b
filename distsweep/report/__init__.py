"""The report: figures, a page, tables. Importing this loads neither matplotlib nor jinja2.

One folder a topic: its figures with their captions, its table, its words, and in ``section.py``
what the page lists. What concerns the whole page stands beside the folders.

``write_report`` writes a folder with a self-contained page; ``write_tables`` writes CSV;
``plot_fundamental``, ``plot_thd``, ``plot_harmonics`` and ``plot_gain_change`` take a
`distsweep.results.Take` and return a matplotlib figure, which a notebook shows by itself.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from distsweep.report.comparison.filters.page import write_filter_report
    from distsweep.report.comparison.filters.tables import write_filter_tables
    from distsweep.report.comparison.page import write_comparison_report
    from distsweep.report.comparison.tables import write_comparison_tables
    from distsweep.report.distortion.harmonics import plot_harmonics
    from distsweep.report.distortion.impulses import plot_impulses
    from distsweep.report.distortion.thd import plot_thd
    from distsweep.report.fundamental.figure import plot_fundamental
    from distsweep.report.hiss.figure import plot_hiss
    from distsweep.report.impulse.figure import plot_impulse_response
    from distsweep.report.limits.gain_change import plot_gain_change
    from distsweep.report.page import write_report
    from distsweep.report.resonances.decay_map import plot_decay_map
    from distsweep.report.resonances.strip import plot_resonance
    from distsweep.report.style import read_style
    from distsweep.report.tables import write_tables

_HOMES = {
    "plot_decay_map": "resonances.decay_map",
    "plot_fundamental": "fundamental.figure",
    "plot_gain_change": "limits.gain_change",
    "plot_harmonics": "distortion.harmonics",
    "plot_hiss": "hiss.figure",
    "plot_impulse_response": "impulse.figure",
    "plot_impulses": "distortion.impulses",
    "plot_resonance": "resonances.strip",
    "plot_thd": "distortion.thd",
    "read_style": "style",
    "write_comparison_report": "comparison.page",
    "write_comparison_tables": "comparison.tables",
    "write_filter_report": "comparison.filters.page",
    "write_filter_tables": "comparison.filters.tables",
    "write_report": "page",
    "write_tables": "tables",
}

__all__ = [
    "plot_decay_map",
    "plot_fundamental",
    "plot_gain_change",
    "plot_harmonics",
    "plot_hiss",
    "plot_impulse_response",
    "plot_impulses",
    "plot_resonance",
    "plot_thd",
    "read_style",
    "write_comparison_report",
    "write_comparison_tables",
    "write_filter_report",
    "write_filter_tables",
    "write_report",
    "write_tables",
]


def __getattr__(name: str) -> Any:
    """Load a function's module when it is first used: an analysis without a report needs none."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
