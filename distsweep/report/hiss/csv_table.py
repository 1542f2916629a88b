"""CSV of hiss: a row a third of an octave."""

from __future__ import annotations

import numpy as np

from distsweep.report.csv_text import Column, as_wide_csv
from distsweep.report.hiss.section import off_take
from distsweep.results import Results, Take
from distsweep.units import FloatArray

_DECIMALS = 2


def hiss_table(results: Results, take: Take) -> str:
    """Text of the CSV of a place: levels on, off, of the loudspeaker alone, and what hides it.

    ``hiss_low_db`` is empty where the hiss is at most ``hiss_high_db``.
    """
    hiss = take.hiss
    assert hiss is not None  # the caller looked
    off = off_take(results, take)
    count = len(hiss.third_octave_hz)
    nothing = np.full(count, np.nan)

    def whole(values: FloatArray) -> FloatArray:
        return values if len(values) == count else nothing

    columns = {
        "on_db": take.level_db,
        "off_db": nothing if off is None else off.level_db,
        "hiss_db": hiss.level_db,
        "hiss_low_db": hiss.level_low_db,
        "hiss_high_db": hiss.level_high_db,
        "room_db": hiss.room_db,
        "threshold_of_hearing_db": hiss.threshold_db,
    }
    return as_wide_csv(
        [
            Column("frequency_hz", hiss.third_octave_hz, 1),
            *(Column(name, whole(values), _DECIMALS) for name, values in columns.items()),
        ]
    )
