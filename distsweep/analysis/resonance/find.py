"""Resonances of a session: its takes are searched together, and what they say is put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from distsweep.analysis.resonance.arrivals import first_reflection_s
from distsweep.analysis.resonance.causes import (
    Enclosure,
    PredictedMode,
    possible_causes,
    predicted_modes,
)
from distsweep.analysis.resonance.curves import (
    LadderCurves,
    SearchedTake,
    ladder_curves,
    take_spikes,
)
from distsweep.analysis.resonance.decay import FoundDecay, Ringing, decay_at, decay_map
from distsweep.analysis.resonance.excited import find_in_products
from distsweep.analysis.resonance.listing import ListedMode, listed
from distsweep.analysis.resonance.mode import SHOWN_LOG_RATIO, FoundMode
from distsweep.analysis.resonance.notes import notes
from distsweep.analysis.resonance.radiated import find_radiated
from distsweep.analysis.resonance.take_modes import nearest, take_modes
from distsweep.reason import Reason
from distsweep.results import DecayMap, SpikeSeen, Tone

if TYPE_CHECKING:
    from distsweep.analysis.resonance.found import FoundResonance
    from distsweep.analysis.resonance.heights import Heights
    from distsweep.analysis.resonance.steady import SteadyChange, SteadyLevel
    from distsweep.analysis.resonance.swept_fit import FittedMode

__all__ = ["Enclosure", "ResonanceFindings", "SearchedTake", "find_resonances"]

SHOWN_UNCERTAINTY, PRODUCTS_UNCERTAINTY = 0.003, 0.008
"""Of a resonance's own frequency, as a fraction, where the response shows it, and where only the
products do: 95 of 100 simulated ones are closer. Taken for one standard deviation where causes
are matched, which is cautious (chosen)."""


@dataclass(frozen=True)
class ResonanceFindings:
    """What was found in a session.

    Attributes
    ----------
    resonances : highest confidence first.
    notes : what the session cannot show, and why.
    ``spikes``, ``decay_maps``, ``steady_changes`` : of each take given, in their order; none of one
        that could not be searched, and no change where no excited mode was found.
    """

    resonances: tuple[FoundResonance, ...]
    notes: tuple[Reason, ...]
    spikes: tuple[list[SpikeSeen], ...]
    decay_maps: tuple[DecayMap | None, ...]
    steady_changes: tuple[SteadyChange | None, ...]


@dataclass(frozen=True)
class _Searched:
    """A take that could be searched, with its ringing, and the excited modes fitted to it."""

    take: SearchedTake
    curves: LadderCurves
    ringing: Ringing
    free_s: float | None
    passed: Sequence[FittedMode]

    def decay_map(self) -> DecayMap:
        loudest_dbfs = float(self.curves.drive_dbfs[-1])
        return decay_map(self.ringing, drive_dbfs=loudest_dbfs, reflection_s=self.free_s)

    def steady_change(self) -> SteadyChange | None:
        """Return what steady tones would change; None where no excited mode was fitted."""
        if not self.passed:
            return None
        from distsweep.analysis.resonance.steady import steady_change

        return steady_change(self.take.swept, self.passed)


def find_resonances(
    takes: Sequence[SearchedTake], enclosure: Enclosure, *, hum: Sequence[Tone] = ()
) -> ResonanceFindings:
    """Rank what may resonate, with what speaks for it and against it.

    Parameters
    ----------
    takes : the ladder takes of a session; the complete one at "axis" leads, or else the first.
    enclosure : for possible causes.
    hum : mains lines of the background.
    """
    curves = [None if take.impulse is None else ladder_curves(take) for take in takes]
    usable = [take for take, own in zip(takes, curves, strict=True) if own is not None]
    modes = found_modes(usable)
    excited = [mode for mode in modes if mode.kind == "excited"]
    in_order = [
        None if own is None else _searched(take, own, excited)
        for take, own in zip(takes, curves, strict=True)
    ]
    searched = sorted(
        (done for done in in_order if done is not None),
        key=lambda done: (done.take.position != "axis", done.take.partial),
    )
    predicted = predicted_modes(enclosure)
    items = listed(modes)
    resonances = tuple(_resonance(item, searched, predicted, hum) for item in items)
    return ResonanceFindings(
        resonances,
        tuple(
            notes(
                [done.curves for done in searched],
                takes=len(takes),
                resonances=len(resonances),
                sizes_known=bool(predicted),
            )
        ),
        tuple([] if d is None else take_spikes(d.take, d.curves) for d in in_order),
        tuple(None if done is None else done.decay_map() for done in in_order),
        tuple(None if done is None else done.steady_change() for done in in_order),
    )


def found_modes(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Return every mode that the searches find, however unlikely."""
    return [*find_in_products(takes), *find_radiated(takes)]


def _searched(take: SearchedTake, curves: LadderCurves, excited: Sequence[FoundMode]) -> _Searched:
    assert take.impulse is not None
    passed = take_modes(take, curves, excited)
    free_s = first_reflection_s(take.impulse)
    return _Searched(take, curves, Ringing(take.impulse), free_s, passed)


def _resonance(
    item: ListedMode,
    searched: Sequence[_Searched],
    predicted: Sequence[PredictedMode],
    hum: Sequence[Tone],
) -> FoundResonance:
    """Measure a listed mode at every position, and gather what is to be said of it."""
    # Loaded with the first resonance: many sessions show none.
    from distsweep.analysis.resonance.found import FoundResonance, ResonanceFacts
    from distsweep.analysis.resonance.growth import growth_of
    from distsweep.analysis.resonance.heights import measure_heights, rungs_that_show
    from distsweep.analysis.resonance.positions import at_positions, seen_in
    from distsweep.analysis.resonance.reasons import agreements, contradictions, summary

    mode = item.mode
    measured = [measure_heights(done.curves, mode) for done in searched]
    place = _shown_best(measured)
    heights, done = measured[place], searched[place]
    levels_showing, levels_clear = rungs_that_show(heights)
    facts = ResonanceFacts(
        heights=heights,
        confidence=item.confidence,
        other_kind=item.other_kind,
        levels_showing=levels_showing,
        levels_clear=levels_clear,
        growth=growth_of(heights),
        decay=_decay(mode, searched, measured),
        positions=at_positions(measured),
        own_peaks=seen_in(heights.curves, heights.seen or (heights.top,)),
        steady=_steady(mode, done),
    )
    uncertainty = frequency_uncertainty(mode)
    causes = possible_causes(mode.frequency_hz, uncertainty, predicted)
    return FoundResonance(
        facts,
        tuple(causes),
        agreements(facts),
        contradictions(facts, hum),
        summary(facts, causes, sizes_known=bool(predicted)),
    )


def _shown_best(measured: Sequence[Heights]) -> int:
    """Return the place of the leading take where that shows the mode, or else of the surest."""
    from distsweep.analysis.resonance.positions import log_ratio_at

    shown = [log_ratio_at(heights) for heights in measured]
    return 0 if shown[0] >= SHOWN_LOG_RATIO else shown.index(max(shown))


def _steady(mode: FoundMode, done: _Searched) -> SteadyLevel | None:
    """Return what a steady tone shows of an excited resonance that was fitted."""
    fitted = nearest(done.passed, mode.frequency_hz)
    if mode.kind != "excited" or fitted is None:
        return None
    from distsweep.analysis.resonance.steady import steady_level

    return steady_level(fitted, float(done.curves.drive_dbfs[-1]))


def frequency_uncertainty(mode: FoundMode) -> float:
    """Return what a resonance's frequency is uncertain by, as a fraction."""
    shown = mode.kind == "radiated" and mode.in_response
    return SHOWN_UNCERTAINTY if shown else PRODUCTS_UNCERTAINTY


def _decay(
    mode: FoundMode, searched: Sequence[_Searched], measured: Sequence[Heights]
) -> FoundDecay:
    """Look at every take's decay; that of the position where the mode is strongest counts.

    Where the room or noise hides it there, any other that shows it does.
    """
    if mode.kind == "excited":
        return FoundDecay("unknown", Reason("decay_not_looked_at"))
    ranked = sorted(
        (k for k, done in enumerate(searched) if done.curves.holds(mode.frequency_hz)),
        key=lambda k: -measured[k].bump_db,
    )
    decays = [
        decay_at(
            searched[k].ringing, mode.frequency_hz, mode.q, free_s=searched[k].free_s,
            position=searched[k].take.position,
        )
        for k in ranked
    ]  # fmt: skip
    if not decays:
        return FoundDecay("unknown", Reason("decay_outside_sweep"))
    return next((decay for decay in decays if decay.state != "hidden"), decays[0])
