"""Distortion and compression of loudspeakers, from sweeps played at several levels.

In a notebook::

    import distsweep

    results = distsweep.analyse("my-session")
    take = results.take("axis")
    distsweep.plot_thd(take)

Importing this package loads neither sounddevice nor matplotlib nor scipy.signal: what a name
needs is imported when the name is first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from distsweep.comparison.compare import compare
    from distsweep.comparison.filters import read_filters, with_filters
    from distsweep.comparison.record import Comparison
    from distsweep.comparison_files import write_comparison
    from distsweep.errors import DeviceError, DistsweepError, InputError, SafetyRefusal
    from distsweep.pipeline import analyse, analyse_recording
    from distsweep.report import (
        plot_fundamental,
        plot_gain_change,
        plot_harmonics,
        plot_thd,
        write_report,
        write_tables,
    )
    from distsweep.results import Results, Rung, Take, read_results, write_results
    from distsweep.stimulus.recipe import read_recipe
    from distsweep.stimulus.write import write_stimulus
    from distsweep.takes.bundle_packing import write_bundle
    from distsweep.takes.session import Session, read_session

_HOMES = {
    "Comparison": "comparison.record",
    "compare": "comparison.compare",
    "read_filters": "comparison.filters",
    "with_filters": "comparison.filters",
    "write_comparison": "comparison_files",
    "DeviceError": "errors",
    "DistsweepError": "errors",
    "InputError": "errors",
    "SafetyRefusal": "errors",
    "analyse": "pipeline",
    "analyse_recording": "pipeline",
    "plot_fundamental": "report",
    "plot_gain_change": "report",
    "plot_harmonics": "report",
    "plot_thd": "report",
    "write_report": "report",
    "write_tables": "report",
    "Results": "results",
    "Rung": "results",
    "Take": "results",
    "read_results": "results",
    "write_results": "results",
    "read_recipe": "stimulus.recipe",
    "write_stimulus": "stimulus.write",
    "Session": "takes.session",
    "read_session": "takes.session",
    "write_bundle": "takes.bundle_packing",
}

__all__ = [
    "Comparison",
    "DeviceError",
    "DistsweepError",
    "InputError",
    "Results",
    "Rung",
    "SafetyRefusal",
    "Session",
    "Take",
    "analyse",
    "analyse_recording",
    "compare",
    "plot_fundamental",
    "plot_gain_change",
    "plot_harmonics",
    "plot_thd",
    "read_filters",
    "read_recipe",
    "read_results",
    "read_session",
    "with_filters",
    "write_bundle",
    "write_comparison",
    "write_report",
    "write_results",
    "write_stimulus",
    "write_tables",
]


def __getattr__(name: str) -> Any:
    """Import a public name's home when the name is first used."""
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'distsweep' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"distsweep.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, those not yet imported too."""
    return sorted({*globals(), *__all__})
