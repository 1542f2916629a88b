"""Whether the forecast of what will be known of THD agrees with what the analysis then finds.

    python tests/benchmarks/bench_forecast.py SEED [--count 40] [--show]

Each room has a random two-way loudspeaker of the rehearsal's, reflections, hum in most, and a
background of its own level and colour: as 1/f or 1/f² below a corner, with a broad hump in some. A
ladder of three rungs, some with repeats, is foretold twice: from five seconds of background and the
levels asked for, taken as flat; and with the response that a probe shows, as `capture` does both.
Then the ladder is recorded. Listening, probe and every file of the ladder hear noise of their own,
whose level wanders by a decibel (standard deviation) from one state to the next.

The truth is the loudspeaker's THD over a third of an octave, at that level, from a recording
without noise. A third of an octave is right where "known" (the truth is at least the least THD
foretold) agrees with whether the analysis knows THD there within 1.5 dB. Printed are the shares
that are right, and by how many thirds of an octave the lower end of what is known was foretold
amiss.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from distsweep.analysis.advice.least_thd import Forecast, PlannedLadder, known_range
from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.take import measure_take
from distsweep.capture.probe import probe_stimulus
from distsweep.capture.response import BEFORE_S, find_arrival, measure_gain, measure_response
from distsweep.capture.take import ladder_stimulus
from distsweep.rehearsal import measure
from distsweep.rehearsal.bench import Bench
from distsweep.rehearsal.loudspeaker import Loudspeaker
from distsweep.rehearsal.population import random_loudspeaker
from distsweep.results import ThdThirdOctave
from distsweep.results.session import DEFAULT_LEVEL_BAND_HZ
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.stimulus.write import rendered
from distsweep.takes.cutting import cut_ladder
from distsweep.takes.recording import read_recording
from distsweep.units import FloatArray, db_to_ratio

RATE_HZ = 48000
LISTENED_S = 5.0
WANDERS_DB = 1.0
PROBE_SPL_DB = 62.0
HIGHEST_DBFS = -11.0
CLOSE_DB = 10.0
LOW_HZ, HIGH_HZ = 100.0, 5000.0

BASE = LadderRecipe(
    name="forecast",
    rate_hz=RATE_HZ,
    band_hz=(40.0, 16000.0),
    sweep_s=4.0,
    levels_dbfs=(-20.0,),
    order=6,
    quiet_s=3.0,
    pause_s=1.0,
    return_rung=False,
)


@dataclass
class Background:
    """Noise of one level and colour, and hum; every hearing is another draw."""

    rng: np.random.Generator
    full_scale_spl_db: float

    def __post_init__(self) -> None:
        rng = self.rng
        self.level_spl_db = rng.uniform(0.0, 42.0)
        self.corner_hz = float(np.exp(rng.uniform(np.log(50.0), np.log(500.0))))
        self.power = int(rng.integers(1, 3))
        self.hump_hz = float(np.exp(rng.uniform(np.log(150.0), np.log(4000.0))))
        self.hump = float(rng.choice([0.0, 3.0, 10.0]))
        mains_hz = float(rng.choice([50.0, 60.0]))
        self.hum = []
        if rng.uniform() < 0.7:
            orders = (1, 2, 3, 4, 5, 6, 7, 9)
            loudest_db = self.level_spl_db + rng.uniform(-15.0, 5.0)
            self.hum = [(mains_hz * n, loudest_db - rng.uniform(0.0, 20.0)) for n in orders]

    def heard(self, count: int) -> FloatArray:
        """Return a hearing of its own, full scale 1."""
        rng = self.rng
        length = 2 * count
        frequency_hz = np.maximum(np.fft.rfftfreq(length, 1.0 / RATE_HZ), 5.0)
        density = 1.0 + (self.corner_hz / frequency_hz) ** self.power
        density += self.hump * np.exp(-(np.log(frequency_hz / self.hump_hz) ** 2) / 0.3)
        inside = (frequency_hz > 20.0) & (frequency_hz < 20000.0)
        density /= np.sum(density[inside]) * RATE_HZ / length
        scale = np.sqrt(density * RATE_HZ / 2.0)
        noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(length)) * scale, length)[:count]
        # Full scale is a sine of peak 1, whose RMS is √½.
        pascal = db_to_ratio(self.level_spl_db - self.full_scale_spl_db) * np.sqrt(0.5)
        noise *= pascal * db_to_ratio(rng.normal(0.0, WANDERS_DB))
        time_s = np.arange(count) / RATE_HZ
        for line_hz, level_db in self.hum:
            peak = db_to_ratio(level_db - self.full_scale_spl_db + rng.normal(0.0, WANDERS_DB))
            noise += peak * np.sin(2.0 * np.pi * (line_hz * time_s + rng.uniform()))
        return np.asarray(noise)


def settings_of(recipe: LadderRecipe) -> TakeSettings:
    return TakeSettings(recipe.band_hz, recipe.order, np.zeros_like)


def played(
    stimulus: LadderStimulus, file: StimulusFile, loudspeaker: Loudspeaker, bench: Bench
) -> FloatArray:
    """Return a file as recorded in a room without noise."""
    wave = rendered(stimulus, file)
    return np.asarray(measure(wave, rate_hz=RATE_HZ, loudspeaker=loudspeaker, bench=bench))


def thirds_of(stimulus: LadderStimulus, heard: list[FloatArray]) -> list[ThdThirdOctave]:
    """Return what the analysis finds of a ladder's THD, rung by rung."""
    with tempfile.TemporaryDirectory() as folder:
        recordings = []
        for number, samples in enumerate(heard):
            path = Path(folder) / f"{number}.wav"
            soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
            recordings.append(read_recording(path, channel=1))
        found = cut_ladder(stimulus, recordings)
        rungs = measure_take(found.cut, settings_of(stimulus.recipe)).rungs
    thirds = [rung.thd_third_octave for rung in rungs]
    assert all(one is not None for one in thirds)
    return thirds  # type: ignore[return-value]


class Room:
    """A loudspeaker in a room, what is asked of it, and what is foretold and found."""

    def __init__(self, rng: np.random.Generator) -> None:
        drawn = random_loudspeaker(rng)
        self.loudspeaker = drawn.loudspeaker
        self.bench = replace(drawn.bench, noise_spl_db=-np.inf, hum_spl_db=(), clips=False)
        self.full_scale_db = 20.0 * float(np.log10(self.bench.pascal_per_fs / 20e-6))
        self.background = Background(rng, self.full_scale_db)
        self.repeats = int(rng.choice([1, 1, 2, 4]))
        self.recipe = replace(BASE, repeats=self.repeats)
        self.listened = self.background.heard(round(LISTENED_S * RATE_HZ))
        self._probe()
        highest_db = HIGHEST_DBFS + self.at_0dbfs_spl_db
        top_db = min(rng.uniform(82.0, 100.0), highest_db)
        self.levels_spl_db = [top_db - 16.0, top_db - 8.0, top_db]

    def _probe(self) -> None:
        """Play a probe that is about as loud as one may be."""
        drive_dbfs = -50.0
        for _ in range(2):
            stimulus = probe_stimulus(self.recipe, drive_dbfs)
            file, sweep = stimulus.files[0], stimulus.sweep
            heard = played(stimulus, file, self.loudspeaker, self.bench)
            heard = heard + self.background.heard(len(heard))
            arrival = find_arrival(heard[: file.first_sample], stimulus.marker.waveform())[0]
            late = arrival - file.start_marker_sample
            first = file.rungs[0].start_sample + late - round(BEFORE_S * RATE_HZ)
            self.quiet = heard[file.quiet_samples[0] + late : file.quiet_samples[1] + late]
            response = measure_response(
                heard[first : file.end_marker_sample + late],
                self.quiet,
                db_to_ratio(drive_dbfs) * sweep.waveform(),
                rate_hz=RATE_HZ,
            )
            self.gain = measure_gain(
                response,
                swept_hz=(sweep.full_from_hz, sweep.full_to_hz),
                level_band_hz=DEFAULT_LEVEL_BAND_HZ,
                correction_db=np.zeros_like,
                drive_ratio=sweep.drive_ratio,
            )
            self.at_0dbfs_spl_db = self.gain.band_db + self.full_scale_db
            drive_dbfs = min(PROBE_SPL_DB - self.at_0dbfs_spl_db, HIGHEST_DBFS)

    def foretell(self, stimulus: LadderStimulus) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Return the bands and the least THD, dB, of every rung, before and after the probe."""
        planned = PlannedLadder(
            sweep=stimulus.sweep,
            pause_s=self.recipe.pause_s,
            silences=len(stimulus.files),
            silence_s=self.recipe.quiet_s,
            repeats=self.repeats,
        )
        settings = settings_of(self.recipe)
        before = Forecast([self.listened], planned, settings)
        flat = [before.flat_db(level_db - self.full_scale_db) for level_db in self.levels_spl_db]
        after = Forecast([self.listened, self.quiet], planned, settings)
        shown_db = np.interp(
            np.log(after.frequency_hz), np.log(self.gain.frequency_hz), self.gain.curve_db
        )
        shown = [shown_db + rung.drive_dbfs for file in stimulus.files for rung in file.rungs]
        return {
            name: (least.frequency_hz, 20.0 * np.log10(least.percent / 100.0))
            for name, least in (
                ("before the probe", before.least_thd(np.array(flat))),
                ("after the probe", after.least_thd(np.array(shown[:: self.repeats]))),
            )
        }

    def stimulus(self) -> LadderStimulus:
        """Lay the ladder out by what the probe has shown."""
        drives = tuple(level_db - self.at_0dbfs_spl_db for level_db in self.levels_spl_db)
        return ladder_stimulus(self.recipe, drives, "forecast")

    def measure(self, stimulus: LadderStimulus) -> tuple[list[ThdThirdOctave], ...]:
        """Return THD without noise, and as found."""
        clean = [played(stimulus, file, self.loudspeaker, self.bench) for file in stimulus.files]
        noisy = [heard + self.background.heard(len(heard)) for heard in clean]
        return thirds_of(stimulus, clean), thirds_of(stimulus, noisy)


class Score:
    """Counts of what was foretold rightly."""

    def __init__(self) -> None:
        self.right: dict[tuple[str, str], list[float]] = defaultdict(list)
        self.known: dict[str, list[float]] = defaultdict(list)
        self.over: dict[str, list[float]] = defaultdict(list)
        self.edges: dict[str, list[float]] = defaultdict(list)

    def add(
        self, name: str, truth: ThdThirdOctave, found: ThdThirdOctave, least_db: FloatArray,
        hz: FloatArray, repeats: int,
    ) -> str:  # fmt: skip
        """Score one rung; return its bands as signs: what was found, and what was amiss."""
        held = np.isin(truth.frequency_hz, hz)
        foretold = truth.thd_db[held] >= least_db
        known = is_reliable(found.low_db, found.high_db)[held]
        asked = (hz >= LOW_HZ) & (hz <= HIGH_HZ)
        right = foretold == known
        self.right[name, "100 Hz to 5 kHz"] += list(right[asked])
        self.right[name, "all"] += list(right)
        self.right[name, f"{repeats} repeat(s), 100 Hz to 5 kHz"] += list(right[asked])
        close = asked & (np.abs(truth.thd_db[held] - least_db) <= CLOSE_DB)
        self.right[name, f"100 Hz to 5 kHz, THD within {CLOSE_DB:g} dB of the least"] += list(
            right[close]
        )
        self.known[name] += list(known[asked])
        self.over[name] += list(foretold[asked & ~right])
        ends = [known_range(hz[hz <= HIGH_HZ], one[hz <= HIGH_HZ]) for one in (foretold, known)]
        if ends[0] is not None and ends[1] is not None:
            self.edges[name].append(10.0 * np.log10(ends[0][0] / ends[1][0]))
        signs = np.where(known, np.where(right, "#", "u"), np.where(right, ".", "O"))
        return "".join(signs)

    def lines(self) -> list[str]:
        """Return what to print."""
        text = [
            f"{name}, {what}: {100.0 * np.mean(ok):.1f} % right of {len(ok)}"
            for (name, what), ok in sorted(self.right.items())
        ]
        for name, known in self.known.items():
            text.append(f"{name}: {100.0 * np.mean(known):.0f} % were found known")
        for name, amiss in self.over.items():
            text.append(
                f"{name}: of those amiss {100.0 * np.mean(amiss):.0f} % were foretold known"
            )
        for name, off in self.edges.items():
            within = np.mean(np.abs(off) <= 1.5)
            text.append(
                f"{name}: lower end within a third of an octave in {100.0 * within:.0f} % of"
                f" {len(off)} rungs; mean {np.mean(off):+.2f} thirds, median"
                f" {np.median(off):+.2f}"
            )
        return text


def main() -> None:
    """Print the scores, and with ``--show`` every rung."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--show", action="store_true", help="# known, . not; u, O: amiss")
    given = parser.parse_args()
    score = Score()
    for number in range(given.count):
        room = Room(np.random.default_rng([given.seed, number]))
        stimulus = room.stimulus()
        truth, found = room.measure(stimulus)
        for name, (hz, least_db) in room.foretell(stimulus).items():
            for row, level_db in enumerate(room.levels_spl_db):
                signs = score.add(name, truth[row], found[row], least_db[row], hz, room.repeats)
                if given.show:
                    print(f"{number:3d} {level_db:5.1f} {name[:6]} {signs}", flush=True)
    print(f"seed {given.seed}, {given.count} rooms")
    print("\n".join(score.lines()))


if __name__ == "__main__":
    sys.exit(main())
