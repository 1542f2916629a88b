"""A ladder's passes, read; what is briefly spoilt in them is bridged, and read again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.background import noise_spectrum
from distsweep.analysis.noise.hum import find_hum, hum_damage
from distsweep.analysis.noise.silence import silence_damage
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.bridging import bridge_ladder
from distsweep.analysis.sweep.clips import mark_clips
from distsweep.analysis.sweep.deconvolution import ARRIVAL_SEARCH_S, Deconvolver, Responses
from distsweep.analysis.sweep.holes import Hole, find_holes
from distsweep.analysis.sweep.left_over import MomentMap
from distsweep.analysis.sweep.separation import Passes, read_passes
from distsweep.analysis.sweep.spoilt import (
    LeftOver,
    damage_of,
    is_click,
    look_between,
    touched_hz,
    with_raised_floors,
)
from distsweep.analysis.sweep.whose import Event
from distsweep.results import Damage
from distsweep.stimulus.sweep import Sweep
from distsweep.units import FloatArray

BRIDGED_S = 0.1
"""Longest event in which single samples are looked for (chosen: the longest block that recorders
lose, with the frames around it)."""

MOST_BRIDGED = 10
"""Passes of a take in which so many events are looked into (chosen: each takes 2 to 5 s; in a
room that crackles all the time floors say what is known)."""

CLICK_S = 0.005
"""Longest click (chosen: what rings on longer is a knock, and little is left around it that would
tell what was there)."""

SAME_S = 0.03
"""An event this near to samples that were bridged is what the bridge leaves of it (chosen: a frame
and a half)."""


@dataclass(frozen=True)
class Read:
    """A ladder's passes: responses, values, what is left over, and damage.

    ``cut`` is the ladder with its holes bridged, ``arrival`` the sample of the direct sound.
    """

    cut: CutLadder
    responses: Responses
    arrival: int
    passes: Passes
    left: LeftOver
    damage: list[Damage]


def read_mended(
    deconvolver: Deconvolver,
    cut: CutLadder,
    settings: TakeSettings,
    grid: FloatArray,
    *,
    sweep: Sweep,
) -> Read:
    """Read a ladder's passes; ``sweep`` is as recorded."""
    read = _read(deconvolver, cut, settings, grid, sweep=sweep)
    looked_at = _brief(read)
    holes = _holes_of(read, looked_at, sweep=sweep, order=settings.order)
    again, exact = read, []
    if holes:
        again = _read(deconvolver, _with_holes(cut, holes), settings, grid, sweep=sweep)
        exact = [
            _record(cut, again.left, row, hole, deconvolver.rate_hz)
            for row, each in holes.items()
            for hole in each
        ]
    rest = [
        # What was looked at sample by sample, and is no click, rang on.
        replace(damage, kind="knock") if looked_at and damage.kind == "click" else damage
        for damage in damage_of(again.left, cut, deconvolver)
        if not any(_overlap(damage, bridged) for bridged in exact)
    ]
    found = sorted(read.damage + exact + rest, key=lambda damage: damage.start_s)
    return replace(again, damage=found)


def _read(
    deconvolver: Deconvolver,
    cut: CutLadder,
    settings: TakeSettings,
    grid: FloatArray,
    *,
    sweep: Sweep,
) -> Read:
    """Bridge the holes that are known; read responses, values, and what is left over."""
    bridged, bridges = bridge_ladder(cut, sweep=sweep, order=settings.order)
    lower_hz, upper_hz = (edge / cut.scale for edge in settings.band_hz)
    layout = MomentMap(deconvolver, order=settings.order, band_hz=(lower_hz, upper_hz))
    signals = [rung.signals for rung in bridged.rungs]
    density, decay = (layout.empty(sum(map(len, signals))) for _ in range(2))

    def look(number: int, response: FloatArray) -> None:
        density[number], decay[number] = layout.densities(response)

    late = [rung.late_samples for rung in bridged.rungs]
    responses = deconvolver.responses(signals, late, each=look)
    arrival = _arrival(responses)
    hum = find_hum(bridged, rate_hz=deconvolver.rate_hz, sweep_samples=sweep.samples)
    noise = noise_spectrum(cut.quiet, rate_hz=deconvolver.rate_hz, step=cut.step)
    passes = read_passes(
        deconvolver, responses, bridged, settings, grid, arrival=arrival, noise=noise, hum=hum
    )
    drives = [rung.drive_dbfs for rung in cut.rungs for _ in rung.signals]
    left = look_between(
        layout, density, decay, passes, noise, hum=hum, grid=grid / cut.scale, drives_dbfs=drives
    )
    left = mark_clips(left, cut, deconvolver.rate_hz)
    passes = bridges.spoil(passes, deconvolver, responses, arrival)
    passes = with_raised_floors(passes, left, deconvolver, arrival / deconvolver.rate_hz)
    damage = hum_damage(hum, cut, rate_hz=deconvolver.rate_hz)
    damage += silence_damage(noise, cut, rate_hz=deconvolver.rate_hz)
    return Read(bridged, responses, arrival, passes, left, damage)


def _arrival(responses: Responses) -> int:
    """Return the sample of the direct sound: the largest of all rungs' summed energies."""
    reach = int(ARRIVAL_SEARCH_S * responses.rate_hz)
    around = responses.full[:, responses.origin - reach : responses.origin + reach + 1]
    return int(np.argmax(np.sum(around**2, axis=0))) - reach


def _brief(read: Read) -> list[Event]:
    """Return the events in which single samples are looked for; none where there are too many."""
    brief = [
        event
        for event in read.left.events
        if event.whose in ("damage", "unknown")
        and len(event.strong) * read.left.layout.time_s[1] <= BRIDGED_S
    ]
    return brief if len(brief) <= MOST_BRIDGED else []


def _holes_of(read: Read, brief: list[Event], *, sweep: Sweep, order: int) -> dict[int, list[Hole]]:
    """Return the samples that were muted, clicked or repeated, by pass.

    What may be the loudspeaker's own impulse is no hole; equal or repeated samples never are.
    Muted samples are looked for in every pass in which anything happened: in the bass a map is too
    coarse in time to tell that it was brief.
    """
    shown = {event.row for event in read.left.events if event.whose in ("damage", "unknown")}
    signals = [signal for rung in read.cut.rungs for signal in rung.signals]
    found: dict[int, list[Hole]] = {}
    for row in sorted(shown):
        own = [event for event in brief if event.row == row]
        moments = [float(read.left.layout.time_s[event.loudest]) for event in own]
        clicked = [
            at
            for at, event in zip(moments, own, strict=True)
            if event.whose == "damage" and is_click(event)
        ]
        holes = find_holes(
            signals[row], moments, sweep=sweep, order=order, step=read.cut.step, clicked=clicked
        )
        longest = CLICK_S * sweep.rate_hz
        holes = [one for one in holes if one.kind != "click" or one.last - one.first <= longest]
        if holes:
            found[row] = holes
    return found


def _with_holes(cut: CutLadder, holes: dict[int, list[Hole]]) -> CutLadder:
    """Return a ladder whose passes have more holes."""
    rungs, row = [], 0
    for rung in cut.rungs:
        known = rung.holes or [[] for _ in rung.signals]
        more = [
            [*old, *((hole.first, hole.last) for hole in holes.get(row + number, ()))]
            for number, old in enumerate(known)
        ]
        rungs.append(replace(rung, holes=more))
        row += len(rung.signals)
    return replace(cut, rungs=rungs)


def _record(cut: CutLadder, left: LeftOver, number: int, hole: Hole, rate_hz: float) -> Damage:
    """Return the record of samples that were bridged; ``number`` is the pass's."""
    row, first_sample = cut.places()[number]
    start_s, end_s = hole.first / rate_hz, hole.last / rate_hz
    low_hz, high_hz = touched_hz(left.layout, start_s, end_s)
    return Damage(
        kind=hole.kind,
        start_s=first_sample / rate_hz + start_s,
        end_s=first_sample / rate_hz + end_s,
        rung=row,
        low_hz=low_hz,
        high_hz=high_hz,
        samples=None if hole.kind == "click" else hole.last - hole.first,
        bridged=True,
        recording=cut.recording_of(row),
    )


def _overlap(damage: Damage, bridged: Damage) -> bool:
    """Tell whether an event is what bridged samples left of themselves."""
    return (
        damage.rung == bridged.rung
        and damage.start_s < bridged.end_s + SAME_S
        and damage.end_s > bridged.start_s - SAME_S
    )
