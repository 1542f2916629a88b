"""Coding with loss: known from the file itself, or from what it left in a file decoded since.

A coder gives bits to what it holds to be heard. While a sweep is loud it leaves cells of time and
frequency empty that the background would fill, and it cuts the band off at 16 to 20 kHz, abruptly.
Both are looked for in the noise: a loudspeaker that ends at 15 kHz takes no noise away. Nor does a
converter's filter, but near half the rate. What a coder at a high rate leaves no trace of is not
known to be coded.
"""

from __future__ import annotations

import numpy as np

from distsweep.takes.recording import Recording
from distsweep.units import FloatArray, db_to_power

CODED_SUBTYPES = ("VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III")
"""Names that libsndfile gives to what leaves out what it holds to be masked (from its manual)."""

FRAME, BINS = 1024, 16
"""A cell is so many samples long and so many bins of its spectrum wide (chosen: 21 ms and 750 Hz at
48 kHz, about what coders decide on; a cell of noise is worth ten independent values, and
falls 10 dB below its mean once in 10⁹)."""

SILENT_FRAMES, SWEEP_FRAMES = 64, 128
"""Frames, evenly spread, that are looked at of the silence and of the loudest sweep (chosen: some
four thousand cells, at a cost of milliseconds)."""

EMPTY_DB, EMPTY_SHARE = -30.0, 0.01
"""A cell so far below the silence is empty, and such a share of empty ones is a coder's (measured
by tests/outside/test_outside_coders.py: Vorbis leaves 4 to 36 %; an
automatic gain turns noise down by 20 dB)."""

FAINT_DB, FAINT_SHARE = -10.0, 0.001
"""The same where the band ends abruptly besides (chosen: of noise alone no cell is so faint, and
Opus at 130 and 260 kbit/s leaves 0.1 to 0.8 %)."""

EDGE_DB, EDGE_CELLS, EDGE_BELOW = -30.0, 3, 0.44
"""The band ends abruptly where the silence falls by the first within so many cells, below that
share of the rate (chosen: filters of converters and of conversions from 44.1 kHz end at 0.45)."""

ABOVE_ROUNDING_DB = 35.0
"""Cells are looked at where the silence stands so far above rounding (chosen: an empty one, which
holds rounding only, is then seen to be)."""


def is_coded(recording: Recording) -> bool:
    """Tell whether a file is in an encoding that leaves out what it holds to be masked."""
    return recording.subtype in CODED_SUBTYPES


def shows_coding(recording: Recording, quiet: tuple[int, int], sweep: tuple[int, int]) -> bool:
    """Tell from a silence and a loud sweep, first sample and the one after the last, of coding."""
    if min(quiet[1] - quiet[0], sweep[1] - sweep[0]) < 2 * FRAME:
        return False
    silence = np.median(_cells(recording.samples, *quiet, SILENT_FRAMES), axis=0)
    loud = _cells(recording.samples, *sweep, SWEEP_FRAMES)
    # A Hann window's sum of squares is 3/8 of its length: what rounding shows in a bin.
    rounding = 0.375 * FRAME * recording.step**2 / 12.0
    held = silence > max(rounding * db_to_power(ABOVE_ROUNDING_DB), 1e-30)
    if not np.any(held):
        return False
    ratio = loud[:, held] / silence[held]
    # A frame that is empty throughout was muted: a coder keeps what is loud.
    ratio = ratio[np.any(ratio > db_to_power(EMPTY_DB), axis=1)]
    if not ratio.size:
        return False
    empty, faint = (float(np.mean(ratio < db_to_power(db))) for db in (EMPTY_DB, FAINT_DB))
    return empty >= EMPTY_SHARE or (faint >= FAINT_SHARE and _ends_abruptly(silence))


def _cells(samples: FloatArray, first: int, last: int, count: int) -> FloatArray:
    """Return mean powers of cells, shape ``(count, FRAME / 2 / BINS)``."""
    starts = np.linspace(first, last - FRAME, count).astype(int)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(FRAME) / FRAME)
    frames = samples[starts[:, None] + np.arange(FRAME)] * window
    spectra = np.fft.rfft(frames, axis=1)[:, 1:]
    powers = spectra.real**2 + spectra.imag**2
    return np.asarray(np.mean(powers.reshape(count, -1, BINS), axis=2))


def _ends_abruptly(silence: FloatArray) -> bool:
    """Tell whether a silence's spectrum falls off a cliff, and stays down."""
    highest = int(2.0 * EDGE_BELOW * len(silence))
    for cell in range(EDGE_CELLS, highest - EDGE_CELLS):
        before = float(np.min(silence[cell - EDGE_CELLS : cell]))
        behind = float(np.max(silence[cell + EDGE_CELLS :]))
        if behind < before * db_to_power(EDGE_DB):
            return True
    return False
