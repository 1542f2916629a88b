"""What the analysis is given of a recording: the parts in which something was played.

`distsweep.takes` finds the stimulus in recordings and cuts these out; nothing here knows files.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

import numpy as np

from distsweep.results import Damage
from distsweep.stimulus.sweep import Sweep
from distsweep.units import FloatArray, IntArray


@dataclass(frozen=True)
class CutRung:
    """The recordings of one rung.

    Attributes
    ----------
    drive_dbfs, role : from the sidecar.
    signals : one array a repeat, each of shape ``(rung samples,)``; the sweep starts at
        their first sample, give or take half a sample.
    late_samples : per repeat, how much later (−0.5…0.5 samples) the sweep really starts.
    clipped_samples : per repeat, the indices of clipped samples.
    file, start_s : which file holds the rung, counted from 0, and how long after the start
        marker its first sweep was played there.
    first_samples : per repeat, which sample of the recording its signal begins with.
    holes : per repeat, the stretches of its signal that do not hold what was heard (first sample,
        and the one after the last); empty where there are none.
    gain_doubt_db : half-width of the 95 % interval of the recorder's gain re that at the start.
    """

    drive_dbfs: float
    role: str
    signals: list[FloatArray]
    late_samples: list[float]
    clipped_samples: list[IntArray]
    file: int = 0
    start_s: float = 0.0
    first_samples: list[int] = field(default_factory=list)
    holes: list[list[tuple[int, int]]] = field(default_factory=list)
    gain_doubt_db: float = 0.0

    @property
    def clipped(self) -> bool:
        """Whether any sample of any repeat was clipped."""
        return any(len(samples) > 0 for samples in self.clipped_samples)

    def without(self, passes: Collection[int]) -> CutRung:
        """Return the rung without some of its repeats, counted from 0."""
        kept = [number for number in range(len(self.signals)) if number not in passes]
        return replace(
            self,
            signals=[self.signals[number] for number in kept],
            late_samples=[self.late_samples[number] for number in kept],
            clipped_samples=[self.clipped_samples[number] for number in kept],
            first_samples=[self.first_samples[number] for number in kept if self.first_samples],
            holes=[self.holes[number] for number in kept if self.holes],
        )


@dataclass(frozen=True)
class CutLadder:
    """A ladder cut into rungs.

    Attributes
    ----------
    sweep : as played.
    rungs : in the order played; the repeated first rung is among them.
    quiet : the silences, each of shape ``(samples,)``.
    scale : recorded samples per played sample.
    step : smallest step of the recording's encoding, full scale 1.
    damage : what was found wrong with the recordings when they were cut; ``rung`` is the row of
        ``rungs``.
    recordings : names of the files, by their numbers; may be empty.
    quiet_starts : which sample of its recording each silence begins with; may be empty.
    """

    sweep: Sweep
    rungs: list[CutRung]
    quiet: list[FloatArray]
    scale: float
    step: float
    damage: list[Damage] = field(default_factory=list)
    recordings: list[str] = field(default_factory=list)
    quiet_starts: list[int] = field(default_factory=list)

    def recording_of(self, row: int) -> str:
        """Return the name of the file that holds a rung; empty where names are not known."""
        return self.recordings[self.rungs[row].file] if self.recordings else ""

    def places(self) -> list[tuple[int, int]]:
        """Return of every pass its rung's row, and which sample of the recording it begins with."""
        return [
            (row, rung.first_samples[number] if rung.first_samples else 0)
            for row, rung in enumerate(self.rungs)
            for number in range(len(rung.signals))
        ]

    @property
    def gain_known(self) -> bool:
        """Whether the recorder's gain is known: none was automatic, and all steps are put right."""
        return not any(
            damage.kind == "automatic_gain" or (damage.kind == "gain_step" and not damage.bridged)
            for damage in self.damage
        )

    def without(self, left_out: Collection[tuple[int, int]]) -> list[CutRung]:
        """Return the rungs without some passes, each given by its rung's row and its number."""
        return [
            rung.without([number for at, number in left_out if at == row])
            for row, rung in enumerate(self.rungs)
        ]


@dataclass(frozen=True)
class CutBurst:
    """One burst: its drive, direction ("up" or "down"), and its place in the tone's signal.

    ``start`` and ``end`` are in recorded samples from the signal's first, fractions included.
    """

    drive_dbfs: float
    direction: str
    start: float
    end: float


@dataclass(frozen=True)
class CutTone:
    """The recording of one frequency's bursts.

    Attributes
    ----------
    frequency_hz : as played.
    recorded_hz : the same in the recorder's clock.
    rate_hz : of the recording.
    ramp_s : time in which a level changes.
    rests_at_dbfs : drive between bursts, the lowest of the levels played.
    signal : from the tone's first burst to the end of its last, shape ``(samples,)``.
    bursts : those that were recorded completely, in the order played.
    clipped_samples : sorted indices into ``signal``.
    """

    frequency_hz: float
    recorded_hz: float
    rate_hz: int
    ramp_s: float
    rests_at_dbfs: float
    signal: FloatArray
    bursts: list[CutBurst]
    clipped_samples: IntArray

    def clips_between(self, first: float, last: float) -> bool:
        """Tell whether a sample from ``first`` until ``last`` was clipped."""
        before, until = np.searchsorted(self.clipped_samples, [first, last])
        return bool(before != until)


@dataclass(frozen=True)
class CutStaircase:
    """A staircase cut into tones; ``quiet``, ``scale`` and ``step`` as in `CutLadder`."""

    tones: list[CutTone]
    quiet: list[FloatArray]
    rate_hz: int
    scale: float
    step: float
