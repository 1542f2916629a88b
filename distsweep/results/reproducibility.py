"""Records of what putting the microphone back changes: placements of one stimulus at a position."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from distsweep.results.record import Record
from distsweep.units import FloatArray

THIRDS = 3
"""Bands an octave of averages over thirds of an octave, by their definition."""


@dataclass(frozen=True, repr=False)
class PlaceDeviation(Record):
    """What a placement moves a curve by, dB; arrays are as long as the frequencies beside it.

    ``deviation_db`` is the standard deviation of one placement from the mean over placements,
    ``half_width_db`` half the 95 % interval that it leaves, which the intervals of the takes' rungs
    hold: d = √(d₀² + half_width²), with the distance d₀ from value to end that noise leaves. NaN
    where nothing is known of it, and where intervals are therefore left as they were.
    """

    deviation_db: FloatArray
    half_width_db: FloatArray


@dataclass(frozen=True, repr=False)
class PlaceSpread(Record):
    """What a placement moves level, THD and harmonics by, at all rungs alike.

    ``bands_per_octave`` is 3, 6 or 12; None: at single frequencies, those of the takes.
    """

    bands_per_octave: int | None
    frequency_hz: FloatArray
    level: PlaceDeviation
    thd: PlaceDeviation
    harmonics: dict[int, PlaceDeviation]

    def curves(self) -> Iterator[tuple[str, PlaceDeviation]]:
        """Yield each curve with its name: "level", "thd", "h2", "h3" …"""
        yield "level", self.level
        yield "thd", self.thd
        for order, deviation in self.harmonics.items():
            yield f"h{order}", deviation


@dataclass(frozen=True, repr=False)
class Reproducibility(Record):
    """How well one stimulus repeats at one position where the microphone is put back there.

    ``placements`` is how many were complete, ``takes`` which takes of the results hold it in their
    intervals, partial ones among them, counted from 0;
    ``spreads`` holds single frequencies first, then 1/12, 1/6 and 1/3 octave.
    """

    position: str
    stimulus: str
    placements: int
    takes: list[int]
    spreads: list[PlaceSpread] = field(default_factory=list)

    def of(self, bands_per_octave: int | None) -> PlaceSpread | None:
        """Return what was found over such bands; None for single frequencies."""
        fitting = (one for one in self.spreads if one.bands_per_octave == bands_per_octave)
        return next(fitting, None)
