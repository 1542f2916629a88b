"""Random loudspeakers, rooms and recordings for ``bench_damage.py``, and what is true of them."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import scipy.fft
import scipy.signal
from bench_intervals import noise, with_mode
from closed_form import Branch, harmonic_amplitudes, play
from conftest import RATE_HZ, Bench, ladder_recipe
from crackling import a_click, clicks_at, excursion, passings
from damaging import Scene, Span, between
from moving_coil import random_moving_coil
from protected_loudspeaker import TrueLimiter
from shoebox import heard_in, shoebox
from truth import draw

from distsweep.results import Results, Take

ORDER = 6
ROWS = ORDER + 1
"""Rows of a table of values: the fundamental, harmonics 2 to ORDER, THD."""

PEAK = 0.12
"""Largest sample of an undamaged recording: room above it for a step of gain of 12 dB."""

_FOLDER = tempfile.TemporaryDirectory()
"""Holds stimuli and recordings until the process ends."""

KNOWN_WITHIN_DB = 0.3
"""Widest interval, end to end, of a value in silence that counts as its truth."""


@dataclass(frozen=True)
class Table:
    """A take's values, shape ``(rungs, ROWS, F)``: fundamental, harmonics 2 to ORDER, THD."""

    value_db: np.ndarray
    low_db: np.ndarray
    high_db: np.ndarray
    reliable: np.ndarray


@dataclass(frozen=True)
class Draw:
    """An undamaged recording: its stimulus, what it is of, and how to learn what is true of it.

    ``silent`` is the same without noise. ``branches`` are a loudspeaker's whose harmonics are known
    in closed form, None of another; ``room`` is the impulse response of the room that it stands in,
    None in the open.
    """

    bench: Bench
    text: str
    heard: np.ndarray
    silent: np.ndarray
    scene: Scene
    drives_dbfs: tuple[float, ...]
    gain: float
    branches: list[Branch] | None
    room: np.ndarray | None

    @property
    def closed(self) -> bool:
        """Whether what is heard is known in closed form."""
        return self.branches is not None and self.room is None

    def analyse(self, samples: np.ndarray) -> Results:
        return self.bench.analyse(samples, subtype="FLOAT")


@cache
def bench_of(rungs: int, sweep_s: float, repeats: int, returns: bool) -> Bench:
    recipe = ladder_recipe(
        name="played", band_hz=[30, 16000], sweep_s=sweep_s, order=ORDER, quiet_s=3.0, pause_s=1.0,
        levels_dbfs=[-30.0 + 20.0 / (rungs - 1) * i for i in range(rungs)], repeats=repeats,
        return_rung=returns,
    )  # fmt: skip
    return Bench(Path(tempfile.mkdtemp(dir=_FOLDER.name)), recipe)


def random_bench(rng: np.random.Generator) -> Bench:
    """Three rungs of 4 s mostly; up to six, up to 8 s, with two or three repeats in three of ten.

    Those with repeats are short: what they cost in time goes by the length of all.
    """
    if rng.random() < 0.3:
        return bench_of(3, 4.0, int(rng.integers(2, 4)), False)
    rungs = int(rng.choice([3, 3, 3, 4, 6]))
    sweep_s = float(rng.choice([4.0, 4.0, 5.0, 6.0, 8.0])) if rungs < 6 else 4.0
    return bench_of(rungs, sweep_s, 1, bool(rng.random() < 0.25))


def sounded(bench: Bench, fed: np.ndarray, make: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """Return what a loudspeaker makes of a waveform, sweep by sweep, each tail of a second added.

    What is played twice is made once: sweeps are alike but for their level.
    """
    starts = [rung.start_sample for rung in bench.stimulus.files[0].rungs]
    edges = [0, *starts, starts[-1] + bench.stimulus.rung_samples, len(fed)]
    out = np.zeros(len(fed))
    made: dict[bytes, np.ndarray] = {}
    for first, end in pairwise(edges):
        piece = fed[first:end]
        if not np.any(piece):
            continue
        key = piece.tobytes()
        if key not in made:
            # Lengths whose transforms are fast in ``play``, which adds a second of its own.
            half = scipy.fft.next_fast_len(-(-(len(piece) + 2 * RATE_HZ) // 2), real=True)
            made[key] = make(np.pad(piece, (0, 2 * half - RATE_HZ - len(piece))))
        heard = made[key][: min(len(made[key]), len(out) - first)]
        out[first : first + len(heard)] += heard
    return out


def background(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return noise of RMS 1, white or pink."""
    whole = noise(rng, scipy.fft.next_fast_len(count, real=True), pink=bool(rng.random() < 0.5))
    return whole[:count]


def protected(waveform: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a waveform behind a limiter whose threshold the louder rungs pass."""
    limiter = TrueLimiter(
        threshold_dbfs=float(rng.uniform(-22.0, -12.0)),
        ratio=float(rng.choice([2.0, 4.0, 10.0, 1e9])),
        knee_db=float(rng.uniform(0.0, 6.0)),
        attack_ms=between(rng, 1.0, 20.0),
        release_ms=between(rng, 80.0, 500.0),
    )
    return waveform * limiter.gain(waveform, RATE_HZ)


def heated(waveform: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a waveform whose power heats the coil, which takes 0.2 to 2 dB off in the end."""
    keep = np.exp(-1.0 / (rng.uniform(2.0, 20.0) * RATE_HZ))
    heat = scipy.signal.lfilter([1.0 - keep], [1.0, -keep], waveform**2)
    return waveform * 10.0 ** (-rng.uniform(0.2, 2.0) / 20.0 * heat / 0.05)


def buzzing(heard: np.ndarray, waveform: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a sound to which the cone adds a click a cycle where it goes far."""
    moved = excursion(waveform, RATE_HZ, resonance_hz=rng.uniform(50.0, 150.0), q=0.7)
    places = passings(moved, float(rng.uniform(0.2, 0.8) * np.max(moved)))
    size = between(rng, 0.003, 0.1) * np.std(heard)
    return heard + clicks_at(places, np.full(len(places), size), a_click(rng, RATE_HZ), len(heard))


def random_draw(rng: np.random.Generator, *, room: bool) -> Draw:
    """Draw a loudspeaker, what it stands in, a stimulus and noise.

    One half are closed-form loudspeakers in the open; one in seven has a limiter, a hot coil or a
    buzz besides; one in seven stands in a room; one in five is a moving coil, most in a room.
    ``room``: all stand in one.
    """
    bench = random_bench(rng)
    sort = str(rng.choice(["open", "acts", "room", "coil"], p=[0.5, 0.15, 0.15, 0.2]))
    branches, text = draw(rng), sort
    if rng.random() < 0.5:
        branches = with_mode(branches, rng)
    fed = bench.waveform
    if sort == "acts":
        act = str(rng.choice(["limiter", "hot", "buzz"]))
        text = act
        fed = protected(fed, rng) if act == "limiter" else fed
        fed = heated(fed, rng) if act == "hot" else fed
    if sort == "coil":
        coil = random_moving_coil(rng)
        loudest = float(np.max(np.abs(fed)))
        sound = sounded(bench, fed / loudest, lambda piece: coil.play(piece, RATE_HZ))
    else:
        sound = sounded(bench, fed, lambda piece: play(branches, piece, RATE_HZ))
    if text == "buzz":
        sound = buzzing(sound, fed, rng)
    echoes = None
    known = text in ("open", "room")
    if room or sort == "room" or (sort == "coil" and rng.random() < 0.75):
        decay_s = float(rng.uniform(0.2, 0.6))
        echoes = shoebox(rng, RATE_HZ, decay_s=decay_s)
        sound = heard_in(echoes, sound)
        text += f" in {decay_s:.2f} s"
    gain = PEAK / np.max(np.abs(sound))
    before, after = (round(s * RATE_HZ) for s in (rng.uniform(0.1, 1.0), rng.uniform(0.0, 1.0)))
    silent = np.pad(gain * sound, (before, after))
    rungs = bench.stimulus.files[0].rungs
    played = list(dict.fromkeys((rung.drive_dbfs, rung.role) for rung in rungs))
    spans = tuple(
        Span(
            played.index((rung.drive_dbfs, rung.role)),
            before + rung.start_sample,
            before + rung.start_sample + bench.stimulus.sweep.samples,
        )
        for rung in rungs
    )
    rms = max(float(np.std(silent[span.first : span.end])) for span in spans)
    below_db = rng.uniform(40.0, 80.0)
    quiet = rms * 10.0 ** (-below_db / 20.0)
    heard = silent + quiet * background(rng, len(silent))
    return Draw(
        bench,
        f"{text}, {len(played)} rungs of {bench.stimulus.recipe.sweep_s:g} s"
        f" × {bench.stimulus.recipe.repeats}, noise −{below_db:.0f} dB",
        heard,
        silent + 1e-9 * rng.standard_normal(len(silent)),
        Scene(RATE_HZ, spans, rms, quiet),
        tuple(drive for drive, role in played if role == "rung"),
        float(gain),
        branches if known else None,
        echoes,
    )


def table_of(take: Take, drives_dbfs: tuple[float, ...]) -> Table:
    """Return a take's values; a rung that it lacks is NaN and not reliable."""
    count = len(take.frequency_hz)
    parts = [np.full((len(drives_dbfs), ROWS, count), np.nan) for _ in range(3)]
    for row, drive_dbfs in enumerate(drives_dbfs):
        for rung in take.rungs:
            if abs(rung.drive_dbfs - drive_dbfs) > 0.01:
                continue
            curves = [(rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db)]
            curves += [(c.level_db, c.low_db, c.high_db) for c in rung.harmonics.values()]
            for part, values in zip(parts, zip(*curves, strict=True), strict=True):
                part[row, : len(values)] = values
            for part, values in zip(
                parts, (rung.thd_db, rung.thd_low_db, rung.thd_high_db), strict=True
            ):
                part[row, -1] = values
    value_db, low_db, high_db = parts
    with np.errstate(invalid="ignore"):
        reliable = high_db - low_db <= 3.0
    for row, drive_dbfs in enumerate(drives_dbfs):
        for rung in take.rungs:
            if abs(rung.drive_dbfs - drive_dbfs) <= 0.01:
                for number, curve in enumerate(rung.harmonics.values(), start=1):
                    reliable[row, number] = curve.reliable
                reliable[row, -1] = rung.thd_reliable
    return Table(value_db, low_db, high_db, reliable & np.isfinite(value_db))


def truth_of(one: Draw, take: Take) -> tuple[np.ndarray, np.ndarray]:
    """Return what is true, dB as in ``Table``, and where that is known rather than at most.

    In closed form: the loudspeaker's amplitudes for a steady sine. Otherwise (a room, a limiter, a
    hot coil, a buzz, a moving coil) it is what the same sound shows in silence, undamaged: of a
    room, then, what the windows of 64 periods leave of it, and of a slow act what it is at that
    moment of the sweep (``check_room_truth.py`` holds the rooms' against closed forms). Where
    silence itself does not know a value it is at most its upper end.
    """
    frequency_hz = take.frequency_hz
    if not one.closed:
        still = table_of(one.analyse(one.silent).takes[0], one.drives_dbfs)
        with np.errstate(invalid="ignore"):
            known = still.high_db - still.low_db <= KNOWN_WITHIN_DB
        return np.where(known, still.value_db, still.high_db), known
    assert one.branches is not None
    truth = np.full((len(one.drives_dbfs), ROWS, len(frequency_hz)), np.nan)
    for row, drive_dbfs in enumerate(one.drives_dbfs):
        drive = 10 ** (drive_dbfs / 20)
        made = one.gain * harmonic_amplitudes(one.branches, frequency_hz, drive, ORDER)
        made = np.maximum(made, 1e-15)
        (rung,) = [r for r in take.rungs if abs(r.drive_dbfs - drive_dbfs) <= 0.01][:1]
        inside = np.array([np.isfinite(c.floor_db) for c in rung.harmonics.values()])
        relative = made[1 : 1 + len(inside)] / made[0]
        truth[row, 0] = 20.0 * np.log10(made[0])
        truth[row, 1 : 1 + len(inside)] = 20.0 * np.log10(relative)
        thd = np.sum(np.where(inside, relative**2, 0.0), axis=0)
        truth[row, -1] = 10.0 * np.log10(np.maximum(thd, 1e-30))
    return truth, np.isfinite(truth)
