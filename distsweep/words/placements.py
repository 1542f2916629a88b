"""Sentences on what putting the microphone back changes."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from distsweep.results import PlaceDeviation, PlaceSpread, Reproducibility
from distsweep.results.reproducibility import THIRDS
from distsweep.units import FloatArray
from distsweep.words.wording import decibels, frequency

SPLITS_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Frequencies at which what repeats well may end (chosen: octaves, so that they are rounded)."""

TOLD_APART = 1.5
"""Two parts of the band are told apart where one repeats so many times as well (chosen: less is no
news)."""


def reproducibility_sentences(found: Reproducibility) -> list[str]:
    """Say how well levels and THD repeat, at single frequencies and over thirds of an octave."""
    single, thirds = found.of(None), found.of(THIRDS)
    sentences = []
    if single is not None and (text := _of_spread(single)):
        sentences.append(f"At single frequencies {text}.")
    if thirds is not None and (text := _of_spread(thirds)):
        sentences.append(f"Averaged over thirds of an octave {text}.")
    return sentences or ["Noise hides by how much values differ."]


def placements_sentence(found: Reproducibility) -> str:
    """Say how often the microphone was put where."""
    times = "twice" if found.placements == 2 else f"{found.placements} times"
    return f"The microphone was put at “{found.position}” {times}."


def _apart(position: str, apart_db: float) -> str:
    return (
        f"Between placements at “{position}” the whole level differs by {decibels(apart_db)}: was a"
        " gain changed, or the distance? The intervals of levels there hold it."
    )


SENTENCES: dict[str, Callable[..., str]] = {"placements_apart": _apart}
"""By a warning's code: its sentence, given the reason's values."""


def _of_spread(spread: PlaceSpread) -> str:
    named = [("the level repeats", spread.level), ("THD", spread.thd)]
    texts = [(name, within_words(spread.frequency_hz, place)) for name, place in named]
    return ", ".join(f"{name} {words}" for name, words in texts if words)


def within_words(frequency_hz: FloatArray, place: PlaceDeviation) -> str:
    """Write what values repeat within, "within ±0.4 dB up to 2 kHz and ±1.5 dB above".

    "" where nothing is known. Each number is the largest of its part, rounded up.
    """
    known = np.isfinite(place.half_width_db)
    f, half_db = frequency_hz[known], place.half_width_db[known]
    if not half_db.size:
        return ""
    split_hz = _split_hz(f, half_db)
    if split_hz is None:
        return f"within {_most(half_db)}"
    below, above = half_db[f <= split_hz], half_db[f > split_hz]
    if not max(np.max(below), np.max(above)) >= TOLD_APART * min(np.max(below), np.max(above)):
        return f"within {_most(half_db)}"
    return f"within {_most(below)} up to {frequency(split_hz)} and {_most(above)} above"


def _split_hz(frequency_hz: FloatArray, half_db: FloatArray) -> float | None:
    """Return the frequency at which two constants fit best, as ratios; None where none lies in."""
    size = np.log(np.maximum(half_db, 0.01))
    left = {}
    for split_hz in SPLITS_HZ:
        parts = [size[frequency_hz <= split_hz], size[frequency_hz > split_hz]]
        if all(part.size > 1 for part in parts):
            left[split_hz] = sum(float(np.sum((part - np.mean(part)) ** 2)) for part in parts)
    return min(left, key=lambda split_hz: left[split_hz]) if left else None


def _most(half_db: FloatArray) -> str:
    return f"±{decibels(math.ceil(10.0 * float(np.max(half_db)) - 1e-6) / 10.0)}"
