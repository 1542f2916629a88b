"""Every sweep of a take in short blocks: what a gain, a clip or a step of the offset shows in.

All sweeps of a ladder are the same but for their drive. Block by block one sweep tells what another
is to be, whatever loudspeaker, room and microphone do to both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.takes.placement import Placement
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray

BLOCK = 256
"""Samples in a block (chosen: 5 ms at 48 kHz, in which a sweep of 8 s moves by half a percent)."""


@dataclass(frozen=True)
class SweepBlocks:
    """One sweep as it was recorded, in blocks of `BLOCK` samples, shape ``(B,)`` each.

    Attributes
    ----------
    file, rung : which file holds it, and its row among the cut rungs, counted from 0.
    drive_dbfs : as played.
    first : the sample of the recording that its first block begins with.
    late : by how much later (−0.5…0.5 samples) the sweep really starts.
    samples : the recording's part, shape ``(B, BLOCK)``.
    energy, highest, lowest : sum of the squares, largest and smallest sample.
    noise : the same of an average block of its file's silence; 0 where it was not recorded.
    """

    file: int
    rung: int
    drive_dbfs: float
    first: int
    late: float
    samples: FloatArray
    energy: FloatArray
    highest: FloatArray
    lowest: FloatArray
    noise: float

    @property
    def end(self) -> int:
        """The sample of the recording after its last block."""
        return self.first + self.samples.size


def sweeps_in_blocks(
    stimulus: LadderStimulus, recordings: Sequence[Recording], placements: Sequence[Placement]
) -> list[SweepBlocks]:
    """Return every sweep that was recorded whole, in the order played; all have the same length."""
    scale = max(placement.scale for placement in placements)
    length = int(stimulus.sweep.samples * scale) // BLOCK
    sweeps, row = [], -1
    for number, (recording, file, placement) in enumerate(
        zip(recordings, stimulus.files, placements, strict=True)
    ):
        quiet = [max(0, round(placement.at(sample))) for sample in file.quiet_samples]
        silence = recording.samples[quiet[0] : quiet[1]]
        noise = BLOCK * float(np.mean(silence**2)) if len(silence) else 0.0
        for played in file.rungs:
            row += played.repeat == 0
            exact = placement.at(played.start_sample)
            first = round(exact)
            if first < 0 or first + length * BLOCK > len(recording.samples):
                continue
            samples = recording.samples[first : first + length * BLOCK].reshape(-1, BLOCK)
            energy = np.einsum("ij,ij->i", samples, samples)
            sweeps.append(
                SweepBlocks(
                    number, row, played.drive_dbfs, first, exact - first, samples, energy,
                    samples.max(axis=1), samples.min(axis=1), noise,
                )
            )  # fmt: skip
    return sweeps
