"""What every recipe's levels must keep to, whatever is played at them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from distsweep.toml_input import Table


def check_levels(table: Table, levels_dbfs: Sequence[float], *, must_rise: str) -> None:
    """Refuse levels above full scale, far below it, or not rising; ``must_rise`` says how.

    Raises
    ------
    InputError
        The levels break one of these rules.
    """
    if max(levels_dbfs) > 0.0:
        table.fail("levels_dbfs", f"reaches {max(levels_dbfs):g}: must be 0 dBFS or less")
    if min(levels_dbfs) < -100.0:
        table.fail("levels_dbfs", f"starts at {min(levels_dbfs):g}: must be −100 dBFS or more")
    if any(b <= a for a, b in itertools.pairwise(levels_dbfs)):
        table.fail("levels_dbfs", must_rise)
