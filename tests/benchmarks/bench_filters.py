"""What is told of filters, against loudspeakers that are driven through them.

    python tests/benchmarks/bench_filters.py SEED [--count 40] [--step 6]

Each loudspeaker is measured once as it is: a ladder from −40 to −10 dBFS, with noise. From its
results filters are tried, one to four at a time. The truth is the same loudspeaker driven through
the filters, by scipy's own, without noise: a ladder whose rungs stand 1 dB apart, so quiet that
no frequency gets more drive than was measured; and, by another way, steady tones. Held against
each other where the drive that reaches the loudspeaker was played: the fundamental, THD, and the
drives at which the gain has changed by −0.5, −1 and −3 dB. "Knee" is where limiting or clipping
begins or acts in the step of the ladder that holds the drive, "smooth" is everywhere else.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import warnings
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_clean_level import pink
from conftest import RATE_HZ, Bench, ladder_recipe
from filter_draws import PASCAL_PER_FS, Drawn, draw_filters, draw_loudspeaker, filtered

from distsweep.comparison.filters import with_filters
from distsweep.comparison.filters.biquad import gain_db
from distsweep.comparison.filters.ladder import MeasuredLadder
from distsweep.comparison.filters.reading import checked
from distsweep.comparison.filters.record import AtLevel, Curve
from distsweep.pipeline import analyse
from distsweep.results import Results, Take

BARS = {"fundamental": 0.1, "thd": 0.5, "threshold": 0.3, "tone": 0.1, "tone thd": 0.5}
KNEE_DB = 0.1
"""A step in which the true gain changes by more is one with a knee (chosen: the bar)."""

FALLS_DB = (-0.5, -1.0, -3.0)

Errors = dict[tuple[str, str], list[tuple[float, bool, float]]]
"""By quantity and class: error, whether the interval holds the truth, the interval's width."""


def recipe(name: str, levels: list[float]) -> Any:
    return ladder_recipe(
        name=name, band_hz=[20, 20000], sweep_s=5.0, order=8, quiet_s=3.0, pause_s=1.0,
        levels_dbfs=levels, return_rung=name == "measured",
    )  # fmt: skip


def results_of(bench: Bench, heard: np.ndarray) -> Results:
    bench.record(heard, name="take.wav")
    session = bench.folder / "session.toml"
    session.write_text(
        '[device]\nname = "Ostrel Fen 3"\n[conditions]\ntemperature_c = 20.0\ndistance_m = 1.0\n'
        f"[calibration]\npascal_per_fs = {PASCAL_PER_FS}\n"
        f'[[takes]]\nposition = "axis"\nstimulus = "{bench.sidecar.name}"\n'
        'recording = "take.wav"\nchannel = 1\n',
        encoding="utf-8",
    )
    return analyse(session)


def with_noise(rng: np.random.Generator, heard: np.ndarray, below_db: float) -> np.ndarray:
    noise = pink(rng, len(heard)) if rng.uniform() < 0.5 else rng.standard_normal(len(heard))
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
    errors: Errors, label: str, results: Results, filters: list[Any], truth: Take, shift_db: float
) -> None:
    """Hold levels, THD and onsets against a ladder that was played through the filters."""
    ladder = MeasuredLadder.of(results.takes[0], (300.0, 3000.0))
    assert ladder is not None
    gain = gain_db(checked(filters), truth.frequency_hz)
    drives = np.array([rung.drive_dbfs for rung in truth.rungs]) - shift_db
    levels = np.array([rung.fundamental_db for rung in truth.rungs])
    change = levels - drives[:, None] - (levels[0] - drives[0])
    wanted = [float(rung.spl_db) for rung in truth.rungs]
    told = with_filters(results, filters, levels_spl=wanted).takes[0].filtered[-1]
    step_db = float(np.diff(ladder.played.drives_dbfs)[0])
    for row in range(1, len(drives)):
        at: AtLevel = told.at_levels[row]
        knee = _knee(ladder, drives, change, row, gain, step_db)
        inside = np.isfinite(at.filtered_fundamental_db.values)
        for name, flags in (("knee", knee & inside), ("smooth", ~knee & inside)):
            add(errors, ("fundamental", name), at.filtered_fundamental_db, levels[row], flags)
            rung = truth.rungs[row]
            clear = flags & rung.thd_reliable
            # Where the measured ladder itself does not know THD no filter can.
            sure = at.filtered_thd_db.high - at.filtered_thd_db.low <= 3.0
            add(errors, ("thd", name), at.filtered_thd_db, rung.thd_db, clear & sure)
            add(errors, ("thd unsure", name), at.filtered_thd_db, rung.thd_db, clear & ~sure)
        if at.filtered_drive_dbfs is not None:
            low, high = at.filtered_drive_low_dbfs, at.filtered_drive_high_dbfs
            nan = float("nan")
            drive = Curve(*(np.array([nan if v is None else v]) for v in
                            (at.filtered_drive_dbfs, low, high)))  # fmt: skip
            add(errors, ("drive for a level", "all"), drive, drives[row : row + 1], True)
    for fall in FALLS_DB:
        true = _first(drives, change, fall) + gain
        for limit in ladder.limits:
            if limit.gain_change_db == fall:
                there = np.isfinite(limit.drive_dbfs.high)
                key = (f"onset {fall:g} dB", label)
                add(errors, key, limit.drive_dbfs, true, there)
    if label.endswith("limiter"):
        for limit in ladder.limits:
            if limit.gain_change_db == -0.5 and limit.kind == "gain change":
                band = _bands(ladder)
                true = _first(drives, change, -0.5) + gain
                finite = np.isfinite(limit.drive_dbfs.high) & band
                add(errors, ("threshold", label), limit.drive_dbfs, true, finite)


def _bands(ladder: MeasuredLadder) -> np.ndarray:
    """Return where a limiter was found."""
    return ladder.course.knee_known


def _knee(
    ladder: MeasuredLadder, drives: np.ndarray, change: np.ndarray, row: int, gain: np.ndarray,
    step_db: float,
) -> np.ndarray:  # fmt: skip
    """Tell where the true gain changes in the measured step that holds a drive, ``(F,)``."""
    reach = drives[row] + gain
    foot = ladder.played.drives_dbfs[0]
    below = foot + np.floor((reach - foot) / step_db) * step_db - gain
    at = [
        np.array([np.interp(d, drives, change[:, f]) for f, d in enumerate(place)])
        for place in (below, below + step_db)
    ]
    return np.asarray(np.abs(at[1] - at[0]) > KNEE_DB)


def _first(drives: np.ndarray, change: np.ndarray, fall: float) -> np.ndarray:
    found = np.full(change.shape[1], np.nan)
    for f in range(change.shape[1]):
        passed = np.flatnonzero((change[:-1, f] > fall) & (change[1:, f] <= fall))
        if len(passed):
            i = int(passed[0])
            share = (change[i, f] - fall) / (change[i, f] - change[i + 1, f])
            found[f] = drives[i] + share * (drives[i + 1] - drives[i])
    return found


TONES, TONE_S, WINDOW_S = 4, 2.0, 0.5


def tone_errors(
    errors: Errors, rng: np.random.Generator, drawn: Drawn, results: Results, filters: list[Any]
) -> None:
    """Hold levels and THD against steady tones, sine by sine, after a second and a half."""
    take = results.takes[0]
    ladder = MeasuredLadder.of(take, (300.0, 3000.0))
    assert ladder is not None
    time_s = np.arange(round(TONE_S * RATE_HZ)) / RATE_HZ
    for _ in range(TONES):
        hertz = round(np.exp(rng.uniform(np.log(40.0), np.log(6000.0))) * WINDOW_S) / WINDOW_S
        gain = float(gain_db(checked(filters), np.array([hertz]))[0])
        drive = float(rng.uniform(-32.0, -10.0)) - gain
        tone = 10.0 ** (drive / 20.0) * np.sin(2.0 * np.pi * hertz * time_s)
        heard = drawn.plays(np.concatenate([filtered(filters, tone), np.zeros(RATE_HZ // 4)]))
        steady = heard[round((TONE_S - WINDOW_S) * RATE_HZ) : len(time_s)]
        lines = np.abs(np.fft.rfft(steady))[:: round(hertz * WINDOW_S)] / len(steady) * 2.0
        last = min(8, int(20000.0 // hertz))
        level = 20.0 * np.log10(lines[1] / 20e-6 * PASCAL_PER_FS)
        thd = 20.0 * np.log10(np.sqrt(np.sum(lines[2 : last + 1] ** 2)) / lines[1] + 1e-12)
        at = np.full(len(take.frequency_hz), drive + gain)
        place = np.log(take.frequency_hz)

        def read(curve: Curve, place: np.ndarray = place, hertz: float = hertz) -> Curve:
            parts = (curve.values, curve.low, curve.high)
            return Curve(*(np.array([np.interp(np.log(hertz), place, part)]) for part in parts))

        told = read(ladder.fundamental_db(at))
        near = np.interp(np.log(hertz), place, ladder.course.knee_known.astype(float)) > 0.0
        add(errors, ("tone", "knee" if near else "smooth"), told, np.array([level]), True)
        told = read(ladder.distortion(at)[0])
        sure = told.high - told.low <= 3.0
        add(errors, ("tone thd", "sure"), told, np.array([thd]), sure & (last >= 3))


def one_set(errors: Errors, seed: int, number: int, step: int, folder: Path) -> None:
    rng = np.random.default_rng([seed, number])
    drawn, filters = draw_loudspeaker(rng, number), draw_filters(rng)
    for name in ("measured", "truth"):
        (folder / name).mkdir(exist_ok=True)
    bench = Bench(folder / "measured", recipe("measured", [*map(float, range(-40, -9, step))]))
    results = results_of(
        bench, with_noise(rng, drawn.plays(bench.waveform), rng.uniform(50.0, 70.0))
    )
    gains = gain_db(checked(filters), np.geomspace(20.0, 20000.0, 500))
    shift_db = max(float(np.max(gains)), 0.0)
    dense = [-40.0, *map(float, range(-29, -9))]
    through = Bench(folder / "truth", recipe("truth", dense))
    waveform = filtered(filters, through.waveform * 10.0 ** (-shift_db / 20.0))
    heard = with_noise(rng, drawn.plays(waveform), 110.0)  # dither: a floor that is no silence
    truth = results_of(through, heard).takes[0]
    label = f"{drawn.kind}, {drawn.protection}"
    own: Errors = defaultdict(list)
    ladder_errors(own, label, results, filters, truth, shift_db)
    tone_errors(own, rng, drawn, results, filters)
    for key, values in own.items():
        errors[key].extend(values)
    limiters = [(one.kind, one.threshold_dbfs, one.ratio, one.knee_db) for one in
                results.takes[0].limiters]  # fmt: skip
    print(f"{number:2d} {label}: {summary(own, 'fundamental')}; thd {summary(own, 'thd')};"
          f" {drawn.truth}; found {limiters}; {len(filters)} filters", flush=True)  # fmt: skip


def summary(errors: Errors, quantity: str) -> str:
    parts = []
    for (name, sort), values in sorted(errors.items()):
        if name == quantity and values:
            off = np.abs([value[0] for value in values])
            parts.append(f"{sort} p95 {np.percentile(off, 95):.2f} max {np.max(off):.2f}")
    return ", ".join(parts)


def table(errors: Errors) -> None:
    print(f"{'':34s}    count  median     p95     max  in bar    held   width")
    for (quantity, sort), values in sorted(errors.items()):
        off = np.abs([value[0] for value in values])
        held = np.mean([value[1] for value in values])
        widths = np.array([value[2] for value in values])
        finite = widths[np.isfinite(widths)]
        bar = BARS.get(quantity, BARS["threshold"] if quantity.startswith("onset") else np.inf)
        bar = BARS["thd"] if quantity == "thd unsure" else bar
        print(f"{quantity + ', ' + sort:34s} {len(off):8d} {np.median(off):7.3f}"
              f" {np.percentile(off, 95):7.3f} {np.max(off):7.2f} {np.mean(off <= bar):7.1%}"
              f" {held:7.1%} {np.median(finite) if len(finite) else np.inf:7.2f}")  # fmt: skip


def main() -> None:
    """Print errors by quantity and class."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--step", type=int, default=6, help="between measured rungs, dB")
    given = parser.parse_args()
    warnings.simplefilter("error")
    errors: Errors = defaultdict(list)
    begun = time.monotonic()
    for number in range(given.count):
        with tempfile.TemporaryDirectory() as folder:
            one_set(errors, given.seed, number, given.step, Path(folder))
    print(f"seed {given.seed}, {given.count} sets, rungs {given.step} dB apart,"
          f" {time.monotonic() - begun:.0f} s")  # fmt: skip
    table(errors)


if __name__ == "__main__":
    main()
