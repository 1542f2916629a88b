"""The report: figures, a page, tables. Importing this loads neither matplotlib nor jinja2.

One folder a topic: its figures with their captions, its table, its words, and in ``section.py``
what the page lists. What concerns the whole page stands beside the folders.

``write_report`` writes a folder with a self-contained page; ``write_tables`` writes CSV;
``plot_fundamental``, ``plot_thd``, ``plot_harmonics`` and ``plot_gain_change`` take a
`distsweep.results.Take` and return a matplotlib figure, which a notebook shows by itself.
"""

from distsweep.report.distortion.harmonics import plot_harmonics
from distsweep.report.distortion.thd import plot_thd
from distsweep.report.fundamental.figure import plot_fundamental
from distsweep.report.limits.gain_change import plot_gain_change
from distsweep.report.page import write_report
from distsweep.report.resonances.decay_map import plot_decay_map
from distsweep.report.resonances.strip import plot_resonance
from distsweep.report.tables import write_tables

__all__ = [
    "plot_decay_map",
    "plot_fundamental",
    "plot_gain_change",
    "plot_harmonics",
    "plot_resonance",
    "plot_thd",
    "write_report",
    "write_tables",
]
