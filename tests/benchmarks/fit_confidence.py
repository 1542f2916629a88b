"""Fit the confidence's weights to a simulated population.

    python tests/benchmarks/fit_confidence.py [--cache FOLDER] [--folds K]

Prints the two tuples of `distsweep/analysis/resonance/confidence.py`. It takes an hour, the next
time some minutes if the simulated loudspeakers are kept in a cache (to be deleted when the
population or the analysis before the search changes). The seeds used here must be such that no
rule of the search was shaped by, and not those that a score is quoted for. Logistic regression
with a ridge on all weights but the constant, by Newton's method; what lies on the flank of
something better is left out first, by the weights of the first of two rounds.

With ``--folds`` every loudspeaker is judged by weights fitted to the other folds, and the calls are
scored: whether such a fit gives confidences that are right.
"""

from __future__ import annotations

import argparse
import dataclasses
import pickle
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from resonance_population import Measured, Population, is_real, score

from distsweep.analysis.resonance import confidence, take_search
from distsweep.analysis.resonance.curves import LadderCurves, SearchedTake, ladder_curves
from distsweep.analysis.resonance.echo_search import find_echoes
from distsweep.analysis.resonance.linear_response import linear_response
from distsweep.analysis.resonance.listing import listed
from distsweep.analysis.resonance.take_search import JudgedCandidate

SEEDS = (*range(20000, 20367), *range(30000, 31003))
RIDGE = 0.1  # of 0.01 to 1 that with the least log loss, judged fold by fold


@dataclass(frozen=True)
class Candidates:
    """A loudspeaker with every candidate of its take, doubles included."""

    measured: Measured
    curves: LadderCurves
    judged: list[JudgedCandidate]

    def renewed(self) -> list[JudgedCandidate]:
        """Those that are left by the present weights."""
        again = [
            JudgedCandidate(one.evidence, confidence.confidence(one.evidence))
            for one in self.judged
        ]
        return take_search.best_of_each_frequency(again)

    def called(self) -> Measured:
        """The loudspeaker with what is listed by the present weights."""
        found = take_search.TakeSearch(self.curves, self.renewed())
        calls = [
            SimpleNamespace(
                frequency_hz=item.judged.evidence.frequency_hz,
                kind=item.judged.evidence.candidate.kind,
                confidence=item.confidence,
            )
            for item in listed([found])
        ]
        return dataclasses.replace(self.measured, resonances=calls)


def candidates(one: Measured) -> Candidates:
    """Search a take without leaving anything out."""
    response = linear_response(one.impulse)
    echoes = find_echoes(response, top_hz=float(one.take.frequency_hz[-1]))
    take = SearchedTake(
        one.take.position, one.take.frequency_hz, one.take.rungs, one.impulse, one.rate_constant_s
    )
    curves = ladder_curves(take, echoes)
    assert curves is not None
    with patch.object(take_search, "best_of_each_frequency", lambda found: found):
        found = take_search.search_take(curves, response, rate_constant_s=one.rate_constant_s)
    return Candidates(one, curves, found.judged)


def logistic(rows: np.ndarray, real: np.ndarray) -> np.ndarray:
    weights = np.zeros(rows.shape[1])
    ridge = np.diag([1e-3] + [RIDGE] * (rows.shape[1] - 1))
    for _ in range(100):
        chance = 1.0 / (1.0 + np.exp(-rows @ weights))
        bend = rows.T @ (rows * (chance * (1.0 - chance))[:, None]) + ridge
        weights += np.linalg.solve(bend, rows.T @ (real - chance) - ridge @ weights)
    return weights


def fit(population: list[tuple[Measured, list[JudgedCandidate]]]) -> str:
    """Set the weights of both kinds, and return them as text."""
    lines = []
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
        lines.append(f"{name} = {weights}  # {len(real)} candidates, {int(real.sum())} real")
    return "\n".join(lines)


def fit_twice(population: list[Candidates]) -> str:
    """Fit to every candidate, then to what is left by those weights."""
    fit([(one.measured, one.judged) for one in population])
    return fit([(one.measured, one.renewed()) for one in population])


def main() -> None:
    """Simulate, or read from the cache, and fit; or fit and judge fold by fold."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--cache", type=Path, default=None)
    parser.add_argument("--folds", type=int, default=0)
    given = parser.parse_args()
    cache = given.cache or Path(tempfile.mkdtemp())
    cache.mkdir(parents=True, exist_ok=True)
    bench = Population(Path(tempfile.mkdtemp()) / "benches")
    population = []
    for seed in SEEDS:
        kept = cache / f"{seed}.pickle"
        if not kept.exists():
            kept.write_bytes(pickle.dumps(bench.measured(seed, settled=False)))
        population.append(candidates(pickle.loads(kept.read_bytes())))
    judged: list[Measured] = []
    for fold in range(given.folds):
        fit_twice([one for k, one in enumerate(population) if k % given.folds != fold])
        judged += [one.called() for one in population[fold :: given.folds]]
    print(score(judged).text() if judged else fit_twice(population))


if __name__ == "__main__":
    main()
