"""What a loudspeaker does behind filters, told from its measured ladder."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from distsweep.comparison.filters.record import Filter, WithFilters
from distsweep.results import Results


def with_filters(
    results: Results,
    filters: Sequence[Filter | dict[str, Any]],
    *,
    levels_spl: Sequence[float] | None = None,
) -> WithFilters:
    """Tell what filters do to a loudspeaker's response, THD and headroom, from its ladder."""
    raise NotImplementedError
