"""What is told of filters, against loudspeakers that are driven through them.

    python tests/benchmarks/bench_filters.py SEED [--count 40] [--first 0] [--steps 6 3]

Each loudspeaker is measured as it is: ladders from −40 to −10 dBFS, with noise, whose rungs stand
6 dB apart, as in the recipes that ship, and 3 dB. From its results filters are tried, one to four
at a time. The truth is the same loudspeaker driven through the filters, by scipy's own, without
noise: a ladder of 1 dB from −24 dBFS up, so quiet that no frequency gets more drive than was
measured; and, by another way, steady tones. Held against each other where the drive that reaches
the loudspeaker was played: the fundamental, THD, and the drives at which the gain has changed by
−0.5, −1 and −3 dB.

"Knee" is where limiting or clipping begins or acts in the step of the ladder that holds the drive;
"memory" where a limiter must still be down by 0.05 dB or more as the truth's sweep passes (what is
told is of steady sines, and tones have none of it); "noisy" where noise leaves the measured
fundamental open by 0.1 dB or more; "smooth" is everywhere else. THD counts "in noise" where that
leaves it open by 0.5 dB or more at a rung beside the drive. Physical loudspeakers stand in a free
field, and the demonstration's has no heat: a ladder of fine steps warms it more than the one that
was measured.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import warnings
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import scipy.fft
from bench_clean_level import pink
from calibrated_session import analysed_session
from conftest import RATE_HZ, Bench, ladder_recipe
from filter_draws import PASCAL_PER_FS, Drawn, draw_filters, draw_loudspeaker, filtered

from distsweep.comparison.filters import with_filters
from distsweep.comparison.filters.biquad import gain_db
from distsweep.comparison.filters.ladder import MeasuredLadder
from distsweep.comparison.filters.memory import still_down_db
from distsweep.comparison.filters.predict import Trial
from distsweep.comparison.filters.reading import checked
from distsweep.comparison.filters.record import Curve
from distsweep.results import Results, Take

BARS = {"fundamental": 0.1, "thd": 0.5, "threshold": 0.3, "tone": 0.1, "tone thd": 0.5}
KNEE_DB = 0.1
"""A step in which the true gain changes by more is one with a knee (chosen: the bar)."""

MEMORY_DB, NOISY_DB, KNOWN_THD_DB = 0.05, 0.1, 0.5

FALLS_DB = (-0.5, -1.0, -3.0)

Errors = dict[tuple[str, str], list[tuple[float, bool, float]]]
"""By quantity and class: error, whether the interval holds the truth, the interval's width."""


def recipe(name: str, levels: list[float]) -> Any:
    return ladder_recipe(
        name=name, band_hz=[20, 20000], sweep_s=5.0, order=8, quiet_s=2.0, pause_s=0.8,
        levels_dbfs=levels, return_rung=name == "measured",
    )  # fmt: skip


def with_noise(rng: np.random.Generator, heard: np.ndarray, below_db: float) -> np.ndarray:
    count = scipy.fft.next_fast_len(len(heard) + 1000, real=True)
    noise = pink(rng, count) if rng.uniform() < 0.5 else rng.standard_normal(count)
    noise = noise[: len(heard)]
    loudest = np.sqrt(np.mean(heard[len(heard) // 2 :] ** 2))
    return heard + noise * loudest * 10.0 ** (-below_db / 20.0) / np.std(noise)


def add(errors: Errors, key: tuple[str, str], told: Curve, truth: np.ndarray, flags: Any) -> None:
    flags = flags & np.isfinite(told.values) & np.isfinite(truth)
    tiny = 1e-3  # dB: what sweeps and Fourier sums are rounded to
    with np.errstate(invalid="ignore"):
        holds = (told.low - tiny <= truth) & (truth <= told.high + tiny)
    for error, held, width in zip(
        (told.values - truth)[flags], holds[flags], (told.high - told.low)[flags], strict=True
    ):
        errors[key].append((float(error), bool(held), float(width)))


def ladder_errors(
    errors: Errors,
    drawn: Drawn,
    results: Results,
    filters: list[Any],
    truth: Take,
    shift_db: float,
) -> None:
    """Hold levels, THD and onsets against a ladder that was played through the filters."""
    label = f"{drawn.kind}, {drawn.protection}"
    ladder = MeasuredLadder.of(results.takes[0], (300.0, 3000.0))
    assert ladder is not None
    gain = gain_db(checked(filters), truth.frequency_hz)
    drives = np.array([rung.drive_dbfs for rung in truth.rungs]) - shift_db
    levels = np.array([rung.fundamental_db for rung in truth.rungs])
    change = levels - drives[:, None] - (levels[0] - drives[0])
    trial = Trial(ladder, gain, held_ms=None, heat_db=0.0)
    step_db = float(np.diff(ladder.played.drives_dbfs)[0])
    for row in range(1, len(drives)):
        rung, reach = truth.rungs[row], drives[row] + gain
        told = trial.at_drive(float(drives[row])).filtered_fundamental_db
        thd, _ = ladder.distortion(reach)
        sure = _known_thd(ladder, reach)
        for name, flags in _classes(ladder, drives, change, row, gain, step_db).items():
            add(errors, ("fundamental", name), told, levels[row], flags)
            clear = flags & rung.thd_reliable
            # Where the measured ladder itself does not know THD no filter can.
            add(errors, ("thd", name), thd, rung.thd_db, clear & sure)
            add(errors, ("thd in noise", name), thd, rung.thd_db, clear & ~sure)
    if not label.endswith("limiter"):  # whose memory the truth's levels hold
        level_errors(errors, results, filters, truth, drives)
    passing = np.array(
        [
            _classes(ladder, drives, change, row, gain, step_db)["memory"]
            for row in range(len(drives))
        ]
    )
    for fall in FALLS_DB:
        first = _first(drives, change, fall)
        true = first + gain
        rows = np.clip(np.searchsorted(drives, np.nan_to_num(first)), 0, len(drives) - 1)
        slow = passing[rows, np.arange(len(first))]
        for limit in ladder.limits:
            if limit.gain_change_db == fall:
                there = np.isfinite(limit.drive_dbfs.high) & ~slow
                key = (f"onset {fall:g} dB", label)
                add(errors, key, limit.drive_dbfs, true, there)


def level_errors(
    errors: Errors, results: Results, filters: list[Any], truth: Take, drives: np.ndarray
) -> None:
    """Hold the drive that gives a listening level against that of rungs played through filters."""
    rows = range(4, len(drives), 5)
    wanted = [float(truth.rungs[row].spl_db or 0.0) for row in rows]
    found = with_filters(results, filters, levels_spl=wanted).takes[0].filtered[-1].at_levels
    for row, at in zip(rows, found, strict=True):
        ends = at.filtered_drive_dbfs, at.filtered_drive_low_dbfs, at.filtered_drive_high_dbfs
        drive = Curve(*(np.array([np.nan if end is None else end]) for end in ends))
        add(errors, ("drive for a level", "all"), drive, drives[row : row + 1], True)


def _classes(
    ladder: MeasuredLadder, drives: np.ndarray, change: np.ndarray, row: int, gain: np.ndarray,
    step_db: float,
) -> dict[str, np.ndarray]:  # fmt: skip
    """Return flags of each class at one drive, ``(F,)`` each."""
    reach = drives[row] + gain
    level = ladder.played.level
    noisy = np.max(level.high[-3:] - level.low[-3:], axis=0) > 2.0 * NOISY_DB
    lost = still_down_db(ladder.take.frequency_hz, ladder.reduction_db(reach), None)
    memory = ~noisy & (lost > MEMORY_DB)
    foot = ladder.played.drives_dbfs[0]
    below = foot + np.floor((reach - foot) / step_db) * step_db - gain
    at = [
        np.array([np.interp(d, drives, change[:, f]) for f, d in enumerate(place)])
        for place in (below, below + step_db)
    ]
    knee = np.abs(at[1] - at[0]) > KNEE_DB
    rest = ~noisy & ~memory
    return {"noisy": noisy, "memory": memory, "knee": rest & knee, "smooth": rest & ~knee}


def _known_thd(ladder: MeasuredLadder, reach: np.ndarray) -> np.ndarray:
    """Tell where noise leaves THD of both rungs beside a drive known within 0.5 dB, ``(F,)``."""
    thd, drives = ladder.played.thd, ladder.played.drives_dbfs
    known = np.maximum(thd.high - thd.values, thd.values - thd.low) <= KNOWN_THD_DB
    below = np.clip(np.searchsorted(drives, reach, side="right") - 1, 0, len(drives) - 2)
    columns = np.arange(len(reach))
    return np.asarray(known[below, columns] & known[below + 1, columns])


def _first(drives: np.ndarray, change: np.ndarray, fall: float) -> np.ndarray:
    """Return the drive of the truth's first fall; NaN where no two rungs of 1 dB hold it."""
    found = np.full(change.shape[1], np.nan)
    for f in range(change.shape[1]):
        passed = np.flatnonzero((change[:-1, f] > fall) & (change[1:, f] <= fall))
        if len(passed) and drives[passed[0] + 1] - drives[passed[0]] <= 1.01:
            i = int(passed[0])
            share = (change[i, f] - fall) / (change[i, f] - change[i + 1, f])
            found[f] = drives[i] + share * (drives[i + 1] - drives[i])
    return found


TONES, TONE_S, GAP_S, WINDOW_S = 8, 1.4, 0.5, 0.4


@dataclass(frozen=True)
class Tone:
    """A steady tone that was played through filters: the drive that arrived, and what was heard."""

    hertz: float
    drive_dbfs: float
    level_db: float
    thd_db: float
    orders: int


def play_tones(rng: np.random.Generator, drawn: Drawn, filters: list[Any]) -> list[Tone]:
    """Play tones one after the other, and take lines of whole periods at each one's end."""
    time_s = np.arange(round(TONE_S * RATE_HZ)) / RATE_HZ
    fade = np.clip(time_s / 0.02, 0.0, 1.0)
    asked, played = [], []
    for _ in range(TONES):
        hertz = round(np.exp(rng.uniform(np.log(40.0), np.log(6000.0))) * WINDOW_S) / WINDOW_S
        gain = float(gain_db(checked(filters), np.array([hertz]))[0])
        drive = min(float(rng.uniform(-26.0, -10.0)) - gain, -1.0)
        asked.append((hertz, drive + gain))
        tone = 10.0 ** (drive / 20.0) * np.sin(2.0 * np.pi * hertz * time_s) * fade
        played += [filtered(filters, tone), np.zeros(round(GAP_S * RATE_HZ))]
    heard = drawn.plays(np.concatenate(played))
    found = []
    for number, (hertz, drive) in enumerate(asked):
        end = number * round((TONE_S + GAP_S) * RATE_HZ) + len(time_s)
        steady = heard[end - round(WINDOW_S * RATE_HZ) : end]
        lines = np.abs(np.fft.rfft(steady))[:: round(hertz * WINDOW_S)] / len(steady) * 2.0
        last = min(8, int(20000.0 // hertz))
        level = 20.0 * np.log10(lines[1] / 20e-6 * PASCAL_PER_FS)  # a full-scale sine's RMS
        thd = 20.0 * np.log10(np.sqrt(np.sum(lines[2 : last + 1] ** 2)) / lines[1] + 1e-12)
        found.append(Tone(hertz, drive, float(level), float(thd), last))
    return found


def tone_errors(errors: Errors, label: str, tones: list[Tone], results: Results) -> None:
    """Hold levels and THD against steady tones, between two places of the grid if need be."""
    take = results.takes[0]
    ladder = MeasuredLadder.of(take, (300.0, 3000.0))
    assert ladder is not None
    places = np.log(take.frequency_hz)
    for tone in tones:
        at, place = np.full(len(places), tone.drive_dbfs), np.log(tone.hertz)

        def read(curve: Curve, place: float = place) -> Curve:
            parts = (curve.values, curve.low, curve.high)
            return Curve(*(np.array([np.interp(place, places, part)]) for part in parts))

        column = int(np.argmin(np.abs(places - place)))
        loss = float(np.ptp(ladder.course.gain.values[:, column])) > KNEE_DB
        told, level = read(ladder.fundamental_db(at)), np.array([tone.level_db])
        kind = f"{label}, {'loss' if loss else 'smooth'}"
        add(errors, ("tone", kind), told, level, True)
        thd, truth = read(ladder.distortion(at)[0]), np.array([tone.thd_db])
        sure = _known_thd(ladder, at)[column] & (tone.orders >= 3)
        add(errors, ("tone thd", kind), thd, truth, sure)


def one_set(
    errors: dict[int, Errors], seed: int, number: int, steps: list[int], folder: Path
) -> None:
    rng = np.random.default_rng([seed, number])
    drawn, filters = draw_loudspeaker(rng, number), draw_filters(rng)
    for name in ("truth", *map(str, steps)):
        (folder / name).mkdir()
    gains = gain_db(checked(filters), np.geomspace(20.0, 20000.0, 500))
    shift_db = max(float(np.max(gains)), 0.0)
    dense = [-40.0, *map(float, range(-24, -9))]
    through = Bench(folder / "truth", recipe("truth", dense))
    waveform = filtered(filters, through.waveform * 10.0 ** (-shift_db / 20.0))
    heard = drawn.plays(waveform)
    heard += rng.standard_normal(len(heard)) * 3e-6 * np.std(heard)  # a floor that is no silence
    truth = analysed_session(through, heard, PASCAL_PER_FS).takes[0]
    label = f"{drawn.kind}, {drawn.protection}"
    tones = play_tones(rng, drawn, filters)
    print(f"{number:2d} {label}: {drawn.truth}, {len(filters)} filters", flush=True)
    for step in steps:
        bench = Bench(folder / str(step), recipe("measured", [*map(float, range(-40, -9, step))]))
        heard = drawn.plays(bench.waveform)
        results = analysed_session(
            bench, with_noise(rng, heard, rng.uniform(50.0, 70.0)), PASCAL_PER_FS
        )
        own: Errors = defaultdict(list)
        ladder_errors(own, drawn, results, filters, truth, shift_db)
        tone_errors(own, drawn.kind, tones, results)
        for key, values in own.items():
            errors[step][key].extend(values)
        limiters = [(one.kind, one.threshold_dbfs, one.ratio, one.knee_db) for one in
                    results.takes[0].limiters]  # fmt: skip
        print(f"   {step} dB: {summary(own, 'fundamental')}; thd {summary(own, 'thd')};"
              f" found {limiters}", flush=True)  # fmt: skip


def summary(errors: Errors, quantity: str) -> str:
    parts = []
    for (name, sort), values in sorted(errors.items()):
        if name == quantity and values:
            off = np.abs([value[0] for value in values])
            parts.append(f"{sort} p95 {np.percentile(off, 95):.2f} max {np.max(off):.2f}")
    return ", ".join(parts)


def report(errors: dict[int, Errors], seed: int, count: int, taken_s: float) -> None:
    print(f"seed {seed}, {count} sets, {taken_s:.0f} s")
    for step, own in errors.items():
        print(f"rungs {step} dB apart:")
        table(own)


def table(errors: Errors) -> None:
    print(f"{'':34s}    count  median     p95     max  in bar    held   width")
    for (quantity, sort), values in sorted(errors.items()):
        off = np.abs([value[0] for value in values])
        held = np.mean([value[1] for value in values])
        widths = np.array([value[2] for value in values])
        finite = widths[np.isfinite(widths)]
        bar = BARS.get(quantity, BARS["threshold"] if quantity.startswith("onset") else np.inf)
        bar = BARS["thd"] if quantity == "thd in noise" else bar
        print(f"{quantity + ', ' + sort:34s} {len(off):8d} {np.median(off):7.3f}"
              f" {np.percentile(off, 95):7.3f} {np.max(off):7.2f} {np.mean(off <= bar):7.1%}"
              f" {held:7.1%} {np.median(finite) if len(finite) else np.inf:7.2f}")  # fmt: skip


def main() -> None:
    """Print errors by quantity and class."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="number of the first set")
    parser.add_argument("--steps", type=int, nargs="+", default=[6, 3], help="of ladders, dB")
    given = parser.parse_args()
    warnings.simplefilter("error")
    errors: dict[int, Errors] = {step: defaultdict(list) for step in given.steps}
    begun = time.monotonic()
    for number in range(given.first, given.first + given.count):
        with tempfile.TemporaryDirectory() as folder:
            one_set(errors, given.seed, number, given.steps, Path(folder))
        done = number + 1 - given.first
        if done % 8 == 0 or done == given.count:
            report(errors, given.seed, done, time.monotonic() - begun)


if __name__ == "__main__":
    main()
