"""How well THD is followed while a sweep plays, on the rehearsal's random loudspeakers.

Run ``python tests/benchmarks/bench_distress.py --count 20``. Each loudspeaker plays a ladder of
three rungs. The analysis says which THD each rung reaches in its worst third of an octave;
limits of 2, 1.4, 0.7 and 0.5 times that are then set while the same recording is followed live.
Printed are false stops (limit above what is reached), missed ones (below), and how long after
the sweep passed the worst frequency a stop came. With a limit near a third-octave median the two
may differ: a stretch averages power over up to 0.37 octave.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.take import measure_take
from distsweep.capture.distress import Distress
from distsweep.capture.judge import worst_thd
from distsweep.capture.response import BEFORE_S, measure_response
from distsweep.rehearsal import measure
from distsweep.rehearsal.population import random_loudspeaker
from distsweep.stimulus.layout import lay_out, render
from distsweep.stimulus.recipe import parse_recipe
from distsweep.takes.correction import no_correction
from distsweep.takes.cutting import cut_ladder
from distsweep.takes.recording import Recording
from distsweep.units import db_to_ratio

RATE_HZ, ORDER, BAND_HZ, LEVEL_BAND_HZ = 48000, 8, (20.0, 20000.0), (300.0, 3000.0)
RECIPE = {
    "kind": "ladder",
    "name": "bench",
    "rate_hz": RATE_HZ,
    "band_hz": list(BAND_HZ),
    "sweep_s": 8.0,
    "levels_dbfs": [-30, -20, -10],
    "order": ORDER,
    "quiet_s": 2.0,
    "pause_s": 1.0,
    "return_rung": False,
}
LIMITS = (2.0, 1.4, 0.7, 0.5)
STIMULUS = lay_out(parse_recipe(RECIPE, "bench"))


def followed(seed: int) -> Iterator[tuple[float, float | None]]:
    """Yield each limit re the THD reached, and when after the worst frequency it stopped, s."""
    one = random_loudspeaker(np.random.default_rng(seed))
    file, sweep = STIMULUS.files[0], STIMULUS.sweep
    heard = measure(
        render(STIMULUS, file),
        rate_hz=RATE_HZ,
        loudspeaker=one.loudspeaker,
        bench=one.bench,
        position="axis",
        seed=seed,
    )
    recording = Recording(Path("a.wav"), heard, RATE_HZ, np.zeros(0, dtype=np.int64), 0.0, 1.0)
    found = cut_ladder(STIMULUS, [recording])
    (change,) = found.marker_changes
    assert change is not None and change.sure_db == 0.0, f"seed {seed}: {change}"
    settings = TakeSettings(BAND_HZ, ORDER, no_correction, level_band_hz=LEVEL_BAND_HZ)
    measured = measure_take(found.cut, settings)
    offset = round(one.bench.starts_early_s * RATE_HZ + one.bench.distance_m / 343.0 * RATE_HZ)
    quiet = heard[file.quiet_samples[0] + offset : file.quiet_samples[1] + offset]
    before, response = round(BEFORE_S * RATE_HZ), None
    rungs = zip(measured.rungs, measured.level_db, file.rungs, strict=True)
    for rung, level_db, played in rungs:
        start = played.start_sample + offset
        wave = db_to_ratio(played.drive_dbfs) * sweep.waveform()
        now = measure_response(
            heard[start - before : start + len(wave) + RATE_HZ // 3], quiet, wave, rate_hz=RATE_HZ
        )
        predicted = (response or now).predict(wave)
        response = now
        worst = worst_thd(rung, measured.frequency_hz, level_db)
        if worst is None:
            continue
        for times in LIMITS:
            distress = Distress(
                sweep,
                starts=[0],
                band_hz=BAND_HZ,
                order=ORDER,
                limit_percent=times * worst[0],
                predicted=predicted,
                level_band_hz=LEVEL_BAND_HZ,
                quiet=quiet,
                correction_db=no_correction,
            )
            ends = range(240, start + sweep.samples, 240)
            stop = next(filter(None, (distress.look(heard, end, start) for end in ends)), None)
            if stop is None or stop.sample is None:
                yield times, None
            else:
                yield times, (stop.sample - start) / RATE_HZ - float(sweep.time_of_s(worst[1]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--seed", type=int, default=None, help="default: new ones each run")
    given = parser.parse_args()
    first = given.seed
    if first is None:
        first = int(np.random.default_rng().integers(1, 2**31))
    found: dict[float, list[float | None]] = {times: [] for times in LIMITS}
    for seed in range(first, first + given.count):
        for times, delay_s in followed(seed):
            found[times].append(delay_s)
    print(f"{given.count} loudspeakers from seed {first}:")
    for times, delays in found.items():
        stops = [delay for delay in delays if delay is not None]
        text = f"limit {times:g} x what is reached: {len(stops)} of {len(delays)} rungs stopped"
        if stops and times < 1.0:
            late = max(stops)
            text += f", at most {late:+.2f} s after the worst frequency was passed"
        print(text)


if __name__ == "__main__":
    main()
