"""What is said of damaged recordings of random loudspeakers, against what is true of them.

    python tests/benchmarks/bench_damage.py SEED [--count 200] [--kind KIND] [--room] [--list]
    python tests/benchmarks/bench_damage.py SEED --undamaged [--count 50] [--room]
        [--write FILE | --against FILE]
    python tests/benchmarks/bench_damage.py SEED --kind lost --sizes [--count 20]

Loudspeakers, rooms and recordings are drawn by damage_draws.py, damage by tests/damaging.py, of
every kind in turn, or of one. The same recording is analysed without its damage, too: what is off
there is not the damage's doing. ``--undamaged`` asks for no damage at all; ``--write`` keeps which
of its values are reliable, so that ``--against`` can say of another version how many stay.
``--sizes`` loses 64 to 4096 samples, and says how far values lie from the undamaged recording's
farther than 100 ms from the gap. ``--list`` gives a line a recording, with its worst value;
``--only NUMBER…`` analyses those draws again.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import traceback
from collections import Counter, defaultdict
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from damage_draws import ROWS, Draw, Table, random_draw, table_of, truth_of
from damage_score import (
    HEADING,
    Figures,
    in_reach,
    judge_inventions,
    judge_names,
    judge_staying,
    judge_values,
    moves_a_value,
    share,
    truths_with_gain,
)
from damaging import KINDS, Inflicted, drawn, lost

from distsweep.errors import DistsweepError
from distsweep.results import Results

LOST_SAMPLES = (64, 128, 256, 512, 1024, 2048, 4096)
PUT_RIGHT_DB, AROUND_S = 0.3, 0.1
"""How near values come to the undamaged ones where a gap was put right, and how far from it."""

BARS = {
    "off by more than 1.5 dB": "at most 1.5 %",
    "off by more than 3 dB": "at most 0.2 %",
    "intervals that hold the truth": "at least 94 %",
    "still reliable outside the damage": "at least 80 %",
    "resonances, limiters, clippings invented": "at most 4 of 200",
    "damages that move a value by 1 dB and are not named": "0",
    "kind right": "at least 90 %",
    "time right": "all",
}


def worst(off: np.ndarray, take_hz: np.ndarray) -> str:
    row, kind, at = np.unravel_index(int(np.argmax(off)), off.shape)
    names = ["fundamental", *(f"harmonic {n}" for n in range(2, ROWS)), "THD"]
    return f"{off[row, kind, at]:.1f} dB off: {names[kind]}, rung {row}, {take_hz[at]:.0f} Hz"


def judged(
    one: Draw, samples: np.ndarray, done: Inflicted, whole: Results, truth: np.ndarray,
    known: np.ndarray,
) -> tuple[Figures, str]:  # fmt: skip
    """Analyse a damaged recording; return its figures and a line on it."""
    figures = Figures(count=1)
    before = table_of(whole.takes[0], one.drives_dbfs)
    take_hz = whole.takes[0].frequency_hz
    touched = in_reach(one, done, take_hz)
    try:
        results = one.analyse(samples)
    except DistsweepError as error:
        nothing = Table(*(np.full_like(before.value_db, np.nan),) * 3, before.reliable & False)
        judge_staying(figures, before, nothing, touched)
        figures.refused = figures.changed = figures.unnamed = 1
        return figures, f"refused: {error}"
    table = table_of(results.takes[0], one.drives_dbfs)
    truth = truths_with_gain(table, truth, done.gains, step=done.kind == "gain_step")
    off = judge_values(figures, table, truth, known)
    judge_staying(figures, before, table, touched)
    moved_db = moves_a_value(before, table)
    named = judge_names(figures, results.takes[0].damage, done, moved_db)
    invented = judge_inventions(figures, whole, results, done)
    return figures, (
        f"{figures.off} of {figures.reliable} off, {worst(off, take_hz)};"
        f" moved by {moved_db:.1f} dB; named: {named or 'nothing'}"
        + (f"; INVENTED: {invented}" if invented else "")
        + (f"; {figures.loose} loose" if figures.loose else "")
    )


def damaged_draws(given: argparse.Namespace) -> None:
    """Print the figures of damaged recordings, by kind and together."""
    kinds: dict[str, Figures] = defaultdict(Figures)
    whole_figures: dict[str, Figures] = defaultdict(Figures)
    for number in given.numbers:
        rng = np.random.default_rng([given.seed, number])
        one = random_draw(rng, room=given.room)
        samples, done = drawn(one.heard, one.scene, rng, kind=given.kind, number=number)
        whole = one.analyse(one.heard)
        truth, known = truth_of(one, whole.takes[0])
        bare = Figures(count=1)
        judge_values(bare, table_of(whole.takes[0], one.drives_dbfs), truth, known)
        bare.false_names = len(whole.takes[0].damage)
        try:
            figures, text = judged(one, samples, done, whole, truth, known)
        except Exception:  # a crash is a finding, and the other draws go on
            figures, text = Figures(count=1), f"CRASHED\n{traceback.format_exc()}"
            figures.refused = figures.changed = figures.unnamed = 1
        kinds[done.kind].add(figures)
        whole_figures["closed form" if one.closed else "shown in silence"].add(bare)
        kinds["closed form" if one.closed else "shown in silence"].add(figures)
        if given.list or "CRASHED" in text:
            print(f"{number:3d} {one.text}\n    {done.text()}\n    {text}", flush=True)
    print(HEADING)
    for name in (*KINDS, "closed form", "shown in silence"):
        if name in kinds:
            print(f"{name:16s} {kinds[name].line()}")
    total, bare = Figures(), Figures()
    for name in KINDS:
        total.add(kinds[name])
    for figures in whole_figures.values():
        bare.add(figures)
    print(f"{'all':16s} {total.line()}")
    for name, figures in {**whole_figures, "all": bare}.items():
        print(f"{'undamaged: ' + name:26s} {share(figures.off, figures.reliable, 2)} % off,"
              f" {share(figures.far_off, figures.reliable, 2)} % far off,"
              f" {share(figures.held, figures.intervals)} % held,"
              f" {figures.false_names} damages named")  # fmt: skip
    print_bars(total)


def print_bars(total: Figures) -> None:
    named = total.changed - total.unnamed
    values = (
        f"{share(total.off, total.reliable, 2)} %",
        f"{share(total.far_off, total.reliable, 2)} %",
        f"{share(total.held, total.intervals)} %",
        f"{share(total.stayed, total.outside)} %",
        f"{total.invented} of {total.count}, of which {total.grown} are there with less confidence",
        f"{total.unnamed} of {total.changed}",
        f"{share(total.kind_right, named)} % of {named}",
        f"{total.time_right} of {total.timed}",
    )
    for (name, bar), value in zip(BARS.items(), values, strict=True):
        print(f"{name:52s} {value.strip():40s} bar: {bar}")


def undamaged_draws(given: argparse.Namespace) -> None:
    """Print what is named in recordings that nothing happened to, and how many values stay."""
    total, named = Figures(), 0
    masks: dict[str, np.ndarray] = {}
    kept = dict(np.load(given.against)) if given.against else {}
    stay = of = 0
    for number in given.numbers:
        rng = np.random.default_rng([given.seed, number])
        one = random_draw(rng, room=given.room)
        take = one.analyse(one.heard).takes[0]
        table = table_of(take, one.drives_dbfs)
        figures = Figures(count=1)
        truth, known = truth_of(one, take)
        off = judge_values(figures, table, truth, known)
        total.add(figures)
        named += bool(take.damage)
        masks[str(number)] = table.reliable
        if str(number) in kept:
            of += int(np.sum(kept[str(number)]))
            stay += int(np.sum(kept[str(number)] & table.reliable))
        if given.list or take.damage:
            found = ", ".join(
                f"{d.kind} {d.start_s:.3f} to {d.end_s:.3f} s rung {d.rung}" for d in take.damage
            )
            print(f"{number:3d} {one.text}: {worst(off, take.frequency_hz)}; named: {found or '–'}")
    if given.write:
        np.savez(given.write, **masks)
    print(f"{named} of {given.count} undamaged recordings have damage named; bar: 0")
    print(f"{share(total.off, total.reliable, 2)} % of {total.reliable} reliable values off by"
          f" {1.5} dB, {share(total.far_off, total.reliable, 2)} % by 3 dB;"
          f" {share(total.held, total.intervals)} % of intervals hold")  # fmt: skip
    if of:
        print(f"{share(stay, of, 2)} % of {of} reliable values stay; bar: at least 95 %")


def away_from(one: Draw, take_hz: np.ndarray, gap_s: float) -> np.ndarray:
    """Return which values' frequencies are passed farther from a gap, shape ``(rungs, F)``."""
    sweep = one.bench.stimulus.sweep
    away = np.ones((len(one.drives_dbfs), len(take_hz)), dtype=bool)
    for span in one.scene.spans:
        if span.row < len(away):
            passed_s = sweep.rate_constant_s * np.log(take_hz / sweep.start_hz)
            at_s = span.first / one.scene.rate_hz + passed_s
            away[span.row] &= np.abs(at_s - gap_s) > AROUND_S
    return away


def sized_draws(given: argparse.Namespace) -> None:
    """Print how far values lie from the undamaged ones where a block was lost.

    Those count that are reliable in both, and whose frequency is passed farther than 100 ms from
    the gap; "gone" are those that are no longer reliable.
    """
    moved: dict[int, list[np.ndarray]] = defaultdict(list)
    gone, unnamed, refused = Counter[int](), Counter[int](), Counter[int]()
    for number in given.numbers:
        rng = np.random.default_rng([given.seed, number])
        one = random_draw(rng, room=given.room)
        before = one.analyse(one.heard).takes[0]
        whole = table_of(before, one.drives_dbfs)
        for length in LOST_SAMPLES:
            span = one.scene.spans[int(rng.integers(len(one.scene.spans)))]
            first = int(rng.integers(span.first, span.end))
            samples, done = lost(one.heard, one.scene, rng, length=length, first=first)
            try:
                after = one.analyse(samples).takes[0]
            except DistsweepError as error:
                refused[length] += 1
                if given.list:
                    print(f"{number:3d} {done.text()}\n    refused: {error}")
                continue
            named = [item for item in after.damage if item.kind == "lost"]
            unnamed[length] += not named
            away = away_from(one, before.frequency_hz, done.start_s)
            table = table_of(after, one.drives_dbfs)
            counts = whole.reliable & away[:, None, :]
            gone[length] += int(np.sum(counts & ~table.reliable))
            counts &= table.reliable
            off = np.where(counts, np.abs(table.value_db - whole.value_db), 0.0)
            moved[length].append(off[counts])
            if given.list:
                found = ", ".join(f"{item.samples} at {item.start_s:.4f} s" for item in named)
                print(
                    f"{number:3d} {done.text()}\n    {one.text}: {worst(off, before.frequency_hz)};"
                    f" {np.sum(off > PUT_RIGHT_DB)} past 0.3 dB; named: {found or '–'}",
                    flush=True,
                )
    print("samples   values    gone  >0.3 dB    worst  not named  refused")
    for length in LOST_SAMPLES:
        every = np.concatenate([*moved[length], np.zeros(1)])
        print(f"{length:7d} {len(every) - 1:8d} {gone[length]:7d} {np.sum(every > PUT_RIGHT_DB):8d}"
              f" {every.max():8.2f} {unnamed[length]:10d} {refused[length]:8d}")  # fmt: skip


def main() -> None:
    """Print what is asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=None)
    parser.add_argument("--kind", choices=[*KINDS, ""], default="")
    parser.add_argument("--room", action="store_true")
    parser.add_argument("--undamaged", action="store_true")
    parser.add_argument("--sizes", action="store_true")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--only", type=int, nargs="+", metavar="NUMBER")
    parser.add_argument("--write", type=Path)
    parser.add_argument("--against", type=Path)
    given = parser.parse_args()
    started = time.monotonic()
    part, count = damaged_draws, 200
    if given.undamaged:
        part, count = undamaged_draws, 50
    elif given.sizes:
        part, count = sized_draws, 20
    given.numbers = given.only or range(given.count or count)
    given.count = len(given.numbers)
    part(given)
    print(f"seed {given.seed}, {given.count} draws, {time.monotonic() - started:.0f} s,"
          f" {time.process_time():.0f} s of CPU")  # fmt: skip


if __name__ == "__main__":
    main()
