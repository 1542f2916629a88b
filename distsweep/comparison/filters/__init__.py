"""What a filter in front of a loudspeaker costs, told from its measured ladder.

`reading` reads filters, `biquad` says what they do to a sine, `predict` what the loudspeaker does
behind them, `record` holds it. A filter changes the drive that reaches the loudspeaker at each
frequency; harmonics arise behind it and are not filtered.
"""

from distsweep.comparison.filters.predict import with_filters
from distsweep.comparison.filters.reading import read_filters
from distsweep.comparison.filters.record import Filter, WithFilters

__all__ = ["Filter", "WithFilters", "read_filters", "with_filters"]
