"""The page's section on the fundamental."""

from __future__ import annotations

from distsweep.report.content import Section
from distsweep.report.fundamental import figure
from distsweep.results import Results, Take


def output(_results: Results, take: Take, name: str) -> Section | None:
    """The fundamental at each level."""
    if not take.rungs:
        return None
    return Section("Output", f"take-{name}.output", [figure.picture(take, name)])
