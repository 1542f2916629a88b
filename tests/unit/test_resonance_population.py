"""A few simulated loudspeakers, always the same: found, of the right kind, and called honestly.

The hundred that scores are quoted for are drawn anew by ``tests/benchmarks/bench_population.py``.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from resonance_population import Measured, Population, Score, score

# The first two seeds that draw two resonances or more, and the first that draws none; none of them
# was used to fit the confidence. The third that draws two, seed 2, passes and is left out for time.
SEEDS = (0, 1, 4)


def _measured(folder: Path, seed: int) -> Measured:
    """Measure one loudspeaker in a folder of its own: two run at a time."""
    return Population(folder / f"benches-{seed}").measured(seed)


pytestmark = pytest.mark.long


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> list[Measured]:
    folder = tmp_path_factory.mktemp("population")
    with ProcessPoolExecutor(max_workers=2) as pool:
        return list(pool.map(partial(_measured, folder), SEEDS))


@pytest.fixture(scope="module")
def scored(measured: list[Measured]) -> Score:
    return score(measured)


def test_what_stands_out_is_found(scored: Score) -> None:
    assert scored.eligible >= 5  # or the test would say nothing
    assert scored.found == scored.eligible, scored.text()
    assert scored.right_kind == scored.found, scored.text()


def test_frequencies_are_right(scored: Score) -> None:
    # What is asked of a hundred: median 0.3 %, and 95 of 100 within 1 %.
    errors = np.sort(scored.errors_percent)
    assert np.median(errors) <= 0.3, scored.text()
    assert errors[-1] <= 1.0, scored.text()


def test_nothing_else_is_called(scored: Score) -> None:
    assert scored.false_calls == 0, scored.text()


def test_the_confidence_adds_up(scored: Score) -> None:
    """The sum of confidences is the number to expect; it may be off by two deviations."""
    expected = float(np.sum(scored.called))
    spread = math.sqrt(float(np.sum(scored.called * (1.0 - scored.called))))
    # Half a call is allowed besides, as a count is whole and its expectation is not.
    assert abs(np.sum(scored.real) - expected) <= 2.0 * spread + 0.5, scored.text()


def test_every_resonance_comes_with_its_case(measured: list[Measured]) -> None:
    for one in measured:
        for resonance in one.resonances:
            assert resonance.agrees_with and resonance.summary and resonance.seen_in
            assert resonance.decay is not None and resonance.decay.sentence
        confidences = [resonance.confidence for resonance in one.resonances]
        assert confidences == sorted(confidences, reverse=True)
