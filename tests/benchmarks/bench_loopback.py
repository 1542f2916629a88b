"""Whether a loop-back keeps what the interface distorts from being called the loudspeaker's.

    python tests/benchmarks/bench_loopback.py SEED [--count 40] [--opposed]

Each interface has an output and an input that distort by random polynomials of degree 5, −110 to
−60 dB at full scale; each loudspeaker is drawn as in truth.py, its products 0 to 50 dB lower. The
microphone's channel is 25 dB softer to 3 dB louder than the loop-back's, and noisier. Coefficients
of even degrees have one sign, those of odd degrees one, so that output and input do not cancel in
the loop-back; ``--opposed``: random ones, so that some do, which no loop-back can show.

Harmonics are sorted by what the interface really makes at the microphone re the loudspeaker's own.
Counted: intervals that hold the loudspeaker's, with the loop-back and without it, and values called
reliable though the interface makes more of them than the loudspeaker.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import Branch, flat, harmonic_products, play
from conftest import RATE_HZ, Bench, ladder_recipe
from truth import draw

from distsweep.pipeline import analyse_recording
from distsweep.results import Take

ORDER, LOUDEST_DBFS = 5, -6.0
EDGES_DB = (-np.inf, -40.0, -20.0, -10.0, 0.0, 10.0, np.inf)
LATE = 150


def stage(rng: np.random.Generator, signs: np.ndarray) -> Branch:
    """An output, or an input: x with products of degree 2 to ORDER."""
    sizes = 10 ** (rng.uniform(-110, -60, ORDER - 1) / 20)
    powers = 2.0 ** np.arange(1, ORDER)  # of xⁿ, harmonic n has 1/2^(n−1)
    return Branch(flat, (1.0, *(signs * sizes * powers)), flat)


def weaker(branches: list[Branch], by: float) -> list[Branch]:
    """A loudspeaker whose products, but not its linear part, are smaller."""
    return [
        Branch(b.pre, (b.coefficients[0], *(by * c for c in b.coefficients[1:])), b.post)
        for b in branches
    ]


def of_interface(
    output: Branch,
    into: Branch,
    loudspeaker: list[Branch],
    f: np.ndarray,
    amplitude: float,
    gain: float,
) -> np.ndarray:
    """What the interface makes of each harmonic at the microphone, |…| to first order."""
    linear = [Branch(b.pre, b.coefficients[:1], b.post) for b in loudspeaker]

    def response(frequency_hz: np.ndarray) -> np.ndarray:
        return harmonic_products(linear, frequency_hz, 1.0, 1)[0]

    sent = harmonic_products([output], f, amplitude, ORDER)
    heard = gain * amplitude * response(f)
    # A stage without memory: each harmonic by the size of what comes in, with n times its phase.
    own = np.array(
        [harmonic_products([into], f[:1], float(a), ORDER)[:, 0] for a in np.abs(heard)]
    ).T
    orders = np.arange(1, ORDER + 1)[:, None]
    played = np.array([gain * response(n * f) for n in range(1, ORDER + 1)])
    return np.abs(sent * played + own * np.exp(1j * orders * np.angle(heard)))


class Score:
    """Counts by the interface's share in a harmonic."""

    def __init__(self) -> None:
        self.held: dict[tuple[str, int], list[np.ndarray]] = defaultdict(list)
        self.reliable: dict[tuple[str, int], list[np.ndarray]] = defaultdict(list)

    def add(self, kind: str, take: Take, truth: list[np.ndarray], made: list[np.ndarray]) -> None:
        for rung, own, interface in zip(take.rungs, truth, made, strict=True):
            for n, curve in rung.harmonics.items():
                with np.errstate(divide="ignore", invalid="ignore"):
                    true_db = 20 * np.log10(own[n - 1] / own[0])
                    share_db = 20 * np.log10(interface[n - 1] / own[n - 1])
                known = np.isfinite(curve.high_db)
                held = (curve.low_db - 1e-6 <= true_db) & (true_db <= curve.high_db + 1e-6)
                for number, (low, high) in enumerate(itertools.pairwise(EDGES_DB)):
                    chosen = known & (share_db > low) & (share_db <= high)
                    self.held[kind, number].append(held[chosen])
                    self.reliable[kind, number].append(curve.reliable[chosen])

    def text(self) -> str:
        lines = []
        for kind in ("with", "without"):
            for number, (low, high) in enumerate(itertools.pairwise(EDGES_DB)):
                held = np.concatenate(self.held[kind, number])
                reliable = np.concatenate(self.reliable[kind, number])
                if len(held):
                    lines.append(
                        f"{kind:8s} interface {low:5.0f} to {high:4.0f} dB: {len(held):7d} values,"
                        f" {100 * np.mean(held):6.2f} % held, {int(np.sum(reliable)):6d} reliable"
                    )
            held = np.concatenate([np.concatenate(self.held[kind, n]) for n in range(6)])
            wrong = sum(int(np.sum(np.concatenate(self.reliable[kind, n]))) for n in (4, 5))
            lines.append(
                f"{kind:8s} all: {100 * np.mean(held):.2f} % held;"
                f" {wrong} reliable though mostly the interface's"
            )
        return "\n".join(lines)


def main() -> None:
    """Print the counts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--opposed", action="store_true")
    given = parser.parse_args()
    recipe = ladder_recipe(
        band_hz=[50, 16000], sweep_s=2.0, levels_dbfs=[-18, -12, LOUDEST_DBFS], order=ORDER,
        quiet_s=1.0, pause_s=0.6,
    )  # fmt: skip
    bench = Bench(Path(tempfile.mkdtemp()), recipe)
    played = np.pad(bench.waveform, (0, RATE_HZ // 10))
    score = Score()
    for number in range(given.count):
        rng = np.random.default_rng([given.seed, number])
        if given.opposed:
            signs = rng.choice([-1.0, 1.0], (2, ORDER - 1))
        else:
            signs = np.tile(rng.choice([-1.0, 1.0], 2), (2, ORDER // 2))  # even, odd, even, odd
        output, into = stage(rng, signs[0]), stage(rng, signs[1])
        loudspeaker = weaker(draw(rng), 10 ** (rng.uniform(-50, 0) / 20))
        sent = play([output], played, RATE_HZ)
        heard = np.roll(play(loudspeaker, sent, RATE_HZ), LATE)
        softer = 10 ** (rng.uniform(-25, 3) / 20)
        loop = 10 ** (rng.uniform(-6, 0) / 20)
        gain = softer * loop * np.max(np.abs(sent)) / np.max(np.abs(heard))
        both = np.stack([play([into], x, RATE_HZ) for x in (gain * heard, loop * sent)], axis=1)
        levels = 10 ** (np.array([rng.uniform(-120, -85), rng.uniform(-125, -100)]) / 20)
        both += levels * rng.standard_normal(both.shape)
        path = bench.record(both, subtype="FLOAT")
        takes = {
            "with": analyse_recording(path, stimulus=bench.sidecar, channel=1, loopback_channel=2),
            "without": analyse_recording(path, stimulus=bench.sidecar, channel=1),
        }
        for kind, results in takes.items():
            take, truth, made = results.take(), [], []
            for rung in take.rungs:
                amplitude = 10 ** (rung.drive_dbfs / 20)
                f = take.frequency_hz
                truth.append(np.abs(harmonic_products(loudspeaker, f, amplitude, ORDER)))
                made.append(of_interface(output, into, loudspeaker, f, amplitude, gain) / gain)
            score.add(kind, take, truth, made)
    print(f"seed {given.seed}, {given.count} interfaces\n{score.text()}")


if __name__ == "__main__":
    main()
