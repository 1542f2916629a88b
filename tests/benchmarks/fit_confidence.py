"""Fit the confidence's weights to a simulated population.

    python tests/benchmarks/fit_confidence.py [--cache FOLDER]

Prints the two tuples of `distsweep/analysis/confidence.py`. It takes an hour, the next time some
minutes if the simulated loudspeakers are kept in a cache (to be deleted when the population or the
analysis before the search changes). The seeds used here must not be those that a score is quoted
for. Logistic regression with a ridge on all weights but the constant, by Newton's method; what lies
on the flank of something better is left out first, by the weights of the first of two rounds.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
from pathlib import Path
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from resonance_population import Measured, Population, is_real

from distsweep.analysis import confidence, search
from distsweep.analysis.echo_search import find_echoes
from distsweep.analysis.linear_response import linear_response
from distsweep.analysis.resonance_curves import ladder_curves

SEEDS = (*range(3000, 3774), *range(20000, 20367))
RIDGE = 0.01


def verdicts(one: Measured) -> list[search.Verdict]:
    """Every verdict of a take, doubles included."""
    response = linear_response(one.impulse)
    echoes = find_echoes(response, top_hz=float(one.take.frequency_hz[-1]))
    curves = ladder_curves(one.take, echoes, rate_constant_s=one.rate_constant_s)
    assert curves is not None
    with patch.object(search, "one_each", lambda found: found):
        found = search.search_take(curves, response, rate_constant_s=one.rate_constant_s)
    return found.verdicts


def logistic(rows: np.ndarray, real: np.ndarray) -> np.ndarray:
    weights = np.zeros(rows.shape[1])
    ridge = np.diag([1e-3] + [RIDGE] * (rows.shape[1] - 1))
    for _ in range(100):
        chance = 1.0 / (1.0 + np.exp(-rows @ weights))
        bend = rows.T @ (rows * (chance * (1.0 - chance))[:, None]) + ridge
        weights += np.linalg.solve(bend, rows.T @ (real - chance) - ridge @ weights)
    return weights


def fit(population: list[tuple[Measured, list[search.Verdict]]]) -> None:
    """Set and print the weights of both kinds."""
    for kind, name in (("radiated", "RADIATED_WEIGHTS"), ("excited", "EXCITED_WEIGHTS")):
        pairs = [
            (
                confidence.features(v.evidence),
                is_real(v.evidence.frequency_hz, kind, one.truth.resonances),
            )
            for one, found in population
            for v in found
            if v.evidence.candidate.kind == kind
        ]
        rows, real = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs], dtype=float)
        weights = tuple(round(float(w), 2) for w in logistic(rows, real))
        setattr(confidence, name, weights)
        print(f"{name} = {weights}  # {len(real)} candidates, {int(real.sum())} real", flush=True)


def main() -> None:
    """Simulate, or read from the cache, and fit twice."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--cache", type=Path, default=None)
    given = parser.parse_args()
    cache = given.cache or Path(tempfile.mkdtemp())
    cache.mkdir(parents=True, exist_ok=True)
    bench = Population(Path(tempfile.mkdtemp()) / "benches")
    population = []
    for seed in SEEDS:
        kept = cache / f"{seed}.pickle"
        if not kept.exists():
            kept.write_bytes(pickle.dumps(bench.measured(seed, settled=False)))
        one = pickle.loads(kept.read_bytes())
        population.append((one, verdicts(one)))
    fit(population)
    again = []
    for one, found in population:
        renewed = [search.Verdict(v.evidence, confidence.confidence(v.evidence)) for v in found]
        again.append((one, search.one_each(renewed)))
    fit(again)


if __name__ == "__main__":
    main()
