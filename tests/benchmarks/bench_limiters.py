"""How well limiters, their absence and hot coils are told, over many random loudspeakers.

Run ``python tests/benchmarks/bench_limiters.py [FIRST_SEED] [PART …]``; parts are staircase,
none, thermal, ladder and agreement. Every number is printed with its worst case; what is past the
limit that was asked for is listed.
"""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from limiter_cases import (
    RATE_HZ,
    TONES_HZ,
    agreements_of,
    errors,
    ladder_of,
    measure,
    measure_ladder_of,
    noisy,
    random_case,
    thermal_chain,
    unlimited,
)
from staircase_bench import analysed

RATIOS = (2.0, 4.0, 10.0, 1e9)
KNEES_DB = (0.0, 6.0, 12.0)


def staircase(first: int, folder: Path) -> None:
    table: dict[str, list[float]] = defaultdict(list)
    seed = first
    for below_hz in (None, 2500.0):
        for ratio in RATIOS:
            for knee_db in KNEES_DB:
                for _ in range(2):
                    seed += 1
                    case = random_case(seed, ratio=ratio, knee_db=knee_db, below_hz=below_hz)
                    row = measure(case, folder)
                    found = errors(case, row)
                    for name, value in found.items():
                        table[name].append(value)
                    if max(found.values()) > 1.0:
                        print("  past the limit:", case, found, row.limiter)
    for name, values in table.items():
        worst, within = max(values), sum(v <= 1.0 for v in values)
        print(f"{name}: {within} of {len(values)} within, worst {worst:.2f} of the limit")


def none(first: int, folder: Path) -> None:
    kinds: dict[str, int] = defaultdict(int)
    deepest = []
    for seed in range(first, first + 50):
        loudspeaker = unlimited(seed)
        rng = np.random.default_rng(seed + 10**6)
        tone_hz = float(rng.choice(TONES_HZ))
        take = analysed(
            folder,
            lambda x, s=loudspeaker, f=tone_hz, r=rng: noisy(s, x, f, r),
            frequencies_hz=[tone_hz],
        ).takes[0]
        row = take.staircase[0]
        kinds[row.limiter.kind] += 1
        deepest.append(float(np.nanmin(row.gain_change_db)))
        if row.limiter.kind != "none":
            print("  not none:", seed, tone_hz, loudspeaker, row.limiter)
    print(f"no limiter: {dict(kinds)}; gain changes down to {min(deepest):.2f} dB")


def thermal(first: int, folder: Path) -> None:
    depth_errors, named = [], 0
    cases = 24
    for seed in range(first, first + cases):
        rng = np.random.default_rng(seed)
        depth_db, tau_s = float(rng.uniform(0.5, 3.0)), float(np.exp(rng.uniform(*np.log((2, 30)))))
        law = ("decibels", "coil")[seed % 2]
        loudspeaker, tone_hz = unlimited(seed), float(rng.choice(TONES_HZ[2:6]))
        loudspeaker = type(loudspeaker)(third=-0.01)
        sag = thermal_chain(depth_db, tau_s, law=law, loudest_dbfs=-10.0)
        take = analysed(
            folder,
            lambda x, s=sag, p=loudspeaker, f=tone_hz, r=rng: noisy(
                p, s(x), f, r, loudest_dbfs=-10.0
            ),
            frequencies_hz=[tone_hz],
            levels_dbfs=[-40, -10],
            hold_s=40.0,
            rest_s=0.5,
            release_s=5.0,
        ).takes[0]
        row = take.staircase[0]
        named += row.limiter.kind == "thermal"
        if row.thermal is None:
            print("  no sag found:", seed, depth_db, tau_s, law, row.limiter)
            continue
        depth_errors.append(row.thermal.depth_db - depth_db)
        if abs(depth_errors[-1]) > 0.1 or row.limiter.kind != "thermal":
            print("  past the limit:", depth_db, tau_s, law, row.thermal, row.limiter)
    worst = np.max(np.abs(depth_errors))
    print(f"thermal: {named} of {cases} so named; depth within {worst:.3f} dB at worst")


def ladder(first: int, folder: Path) -> None:
    worst, count = 0.0, 0
    for seed in range(first, first + 16):
        below_hz = (None, 1500.0)[seed % 2]
        ratio, knee_db = RATIOS[seed % 4], KNEES_DB[seed % 3]
        case = random_case(seed, ratio=ratio, knee_db=knee_db, below_hz=below_hz)
        take = measure_ladder_of(case, folder)
        found = take.limiters[0]
        error = np.inf
        if found is not None and found.threshold_dbfs is not None:
            error = abs(found.threshold_dbfs - case.limiter.threshold_dbfs)
        count += error <= 0.5
        worst = max(worst, error)
        if error > 0.5 or found is None or found.kind not in ("limiter", "compressor"):
            print("  past the limit:", case, found)
    print(f"ladder: threshold of {count} of 16 within 0.5 dB, worst {worst:.2f} dB")
    kinds: dict[str, int] = defaultdict(int)
    for seed in range(first, first + 16):
        loudspeaker = unlimited(seed)
        take = ladder_of(lambda x, s=loudspeaker: s.play(x, RATE_HZ), folder, seed)
        (limiter,) = take.limiters
        kinds[limiter.kind] += 1
        if limiter.kind != "none":
            print("  not none:", loudspeaker, limiter)
    print(f"ladder without a limiter: {dict(kinds)}")


def agreement(first: int, folder: Path) -> None:
    """THD of staircases and ladders of the same loudspeaker, by how far it clears the noise."""
    found = []
    for seed in range(first, first + 8):
        loudspeaker = unlimited(seed)
        found += agreements_of(lambda x, s=loudspeaker: s.play(x, RATE_HZ), folder, seed)
    for least_db in (25.0, 35.0, 45.0):
        clear = [a for a in found if a.reliable and a.thd_margin_db >= least_db]
        apart = np.abs([a.thd_difference_db for a in clear])
        level = np.abs([a.level_difference_db for a in clear])
        print(
            f"ladder and staircase, THD {least_db:g} dB clear: {np.sum(apart <= 0.1)} of"
            f" {len(apart)} within 0.1 dB, worst {apart.max():.3f}; level {level.max():.3f} dB"
        )


PARTS = {
    "staircase": staircase,
    "none": none,
    "thermal": thermal,
    "ladder": ladder,
    "agreement": agreement,
}


def main() -> None:
    arguments = sys.argv[1:]
    first = int(arguments.pop(0)) if arguments and arguments[0].isdigit() else 9000
    assert RATE_HZ == 48000
    with tempfile.TemporaryDirectory() as folder:
        for name in arguments or PARTS:
            print(f"{name}, seeds from {first}:")
            PARTS[name](first, Path(folder))


if __name__ == "__main__":
    main()
