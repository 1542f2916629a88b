"""Unlike loudspeakers in unlike rooms, measured at five positions through the whole path.

How far a mode ought to stand out is settled without any search, in a free field and without noise.
Of radiated modes the curves are known in closed form; excited ones are swept once more, as a sweep
passes a high Q before it is fully set off.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from conftest import RATE_HZ, Bench, ladder_recipe
from unlike_draws import draw_loudspeaker
from unlike_drivers import LOUDEST, Loudspeaker, TrueMode
from unlike_loudspeakers import Played, harmonics, play
from unlike_rooms import Room, Source

from distsweep import pipeline

POSITIONS = ("axis", "woofer", "port", "axis@30", "axis@-25")
LEVELS_DBFS = (-28.0, -19.0, -10.0)
ORDER = 5

ONE_WITHIN = 0.04
"""Poles of one group closer than this, as a fraction, count as one: whoever calls either has found
both, and a pole stands out by what is lost without it and them."""


@dataclass(frozen=True)
class Setup:
    """A room, where things are in it, in m, and what else the microphone hears.

    ``full_scale_spl_db`` of the sound at 1 m for a stimulus of full scale.
    """

    room: Room
    sources: dict[str, Source]
    microphones_m: dict[str, np.ndarray]
    full_scale_spl_db: float
    noise_spl_db: float
    noise_slope: float
    hum: tuple[tuple[float, float], ...]
    knock: bool

    @property
    def distances_m(self) -> dict[str, float]:
        """From every source to the microphone on the axis."""
        heard_m = self.microphones_m["axis"]
        return {p: float(np.linalg.norm(s.place_m - heard_m)) for p, s in self.sources.items()}

    def amplitude(self, spl_db: float) -> float:
        """Return the amplitude of a sine re the direct sound of a stimulus of 1."""
        return float(10.0 ** ((spl_db - self.full_scale_spl_db) / 20.0))


def draw_setup(rng: np.random.Generator) -> Setup:
    """Draw a room with a loudspeaker on a stand and five places of the microphone."""
    room = Room.draw(rng)
    ahead = room.facing
    aside, up = np.array([-ahead[1], ahead[0], 0.0]), np.array([0.0, 0.0, 1.0])
    tweeter_m = np.array(
        [rng.uniform(0.5, 1.4), room.sides_m[1] * rng.uniform(0.3, 0.7), rng.uniform(0.85, 1.3)]
    )
    below_m, radius_m = rng.uniform(0.12, 0.2), rng.uniform(0.05, 0.075)
    woofer_m = tweeter_m - below_m * up
    port_m = woofer_m - rng.uniform(0.11, 0.17) * up
    cabinet_m = woofer_m - 0.1 * ahead + float(rng.choice((-1.0, 1.0))) * 0.11 * aside
    middle_m = tweeter_m - 0.5 * below_m * up

    def far(degrees: float, higher_m: float) -> np.ndarray:
        angle = np.radians(degrees)
        return middle_m + np.cos(angle) * ahead + np.sin(angle) * aside + higher_m * up

    hum: tuple[tuple[float, float], ...] = ()
    if rng.random() < 0.6:
        mains_hz = float(rng.choice((50.0, 60.0)))
        hum = tuple((mains_hz * n, rng.uniform(15.0, 38.0)) for n in (1, 2, 3, 5))
    return Setup(
        room,
        {
            "woofer": Source(woofer_m, radius_m),
            "port": Source(port_m, rng.uniform(0.018, 0.03)),
            "tweeter": Source(tweeter_m, 0.0125),
            "cabinet": Source(cabinet_m, 0.08),
        },
        {
            "axis": far(0.0, 0.0),
            "woofer": woofer_m + 0.015 * ahead,
            "port": port_m + 0.01 * ahead,
            "tweeter": tweeter_m + 0.015 * ahead,
            "axis@30": far(30.0, rng.uniform(-0.08, 0.08)),
            "axis@-25": far(-25.0, rng.uniform(-0.08, 0.08)),
        },
        full_scale_spl_db=rng.uniform(100.0, 106.0),
        noise_spl_db=90.0 - rng.uniform(50.0, 70.0),
        noise_slope=rng.uniform(0.0, 0.6),
        hum=hum,
        knock=bool(rng.random() < 0.2),
    )


class Stand:
    """The stimuli: three rungs for the takes, and the loudest alone, for what is settled."""

    def __init__(self, folder: Path) -> None:
        common: dict[str, Any] = {
            "band_hz": [40, 16000], "sweep_s": 6.0, "order": ORDER, "pause_s": 0.7,
        }  # fmt: skip
        for name in ("whole", "single"):
            (folder / name).mkdir(parents=True)
        whole = ladder_recipe(name="three", levels_dbfs=list(LEVELS_DBFS), quiet_s=2.0, **common)
        single = ladder_recipe(name="one", levels_dbfs=[LEVELS_DBFS[-1]], quiet_s=0.7, **common)
        self.whole = Bench(folder / "whole", whole)
        self.single = Bench(folder / "single", single)

    def measured(self, seed: int, *, resonant: bool = True) -> dict[str, Any]:
        """Return a seed's record: truth, decoys, standing heights, hum, and takes as measured."""
        rng = np.random.default_rng(seed)
        setup = draw_setup(rng)
        loudspeaker = draw_loudspeaker(rng, setup.distances_m, resonant=resonant)
        takes, hum = self._takes(rng, setup, loudspeaker)
        return {
            "seed": seed,
            "truth": [_entry(mode) for mode in loudspeaker.truth],
            "decoys": _decoys(setup, loudspeaker),
            "standing": self._standing_db(setup, loudspeaker, takes[0]),
            "hum": hum,
            "takes": [dict(vars(take)) for take in takes],
        }

    def _takes(
        self, rng: np.random.Generator, setup: Setup, loudspeaker: Loudspeaker
    ) -> tuple[list[Any], list[Any]]:
        emitters = loudspeaker.emitters()
        played = play(emitters, self.whole.waveform)
        places = played.radiated(emitters)
        samples = len(self.whole.waveform) + RATE_HZ // 2
        lines = []
        for number, position in enumerate(POSITIONS):
            paths = {
                place: setup.room.taps(setup.sources[place], setup.microphones_m[position])
                for place in places
            }
            sound = played.heard(places, paths)[:samples]
            gain = rng.uniform(0.15, 0.5) / float(np.max(np.abs(sound)))
            sound += _background(rng, setup, samples)
            if setup.knock and (position == "axis" or rng.random() < 0.3):
                sound += self._knock(rng, setup, samples)
            self.whole.record(gain * sound, name=f"{number}.wav")
            lines.append(
                f'[[takes]]\nposition = "{position}"\nstimulus = "{self.whole.sidecar.name}"\n'
                f'recording = "{number}.wav"\n'
            )
        path = self.whole.folder / "session.toml"
        path.write_text("".join(lines))
        return searched(path)

    def _knock(self, rng: np.random.Generator, setup: Setup, samples: int) -> np.ndarray:
        """Return a burst of 45 to 70 dB SPL that dies away within one rung."""
        rungs = self.whole.stimulus.files[0].rungs
        start = rungs[int(rng.integers(len(rungs)))].start_sample
        start += int(rng.uniform(0.1, 0.9) * self.whole.stimulus.sweep.samples)
        time_s = np.arange(samples - start) / RATE_HZ
        burst = np.zeros(samples)
        for _ in range(4):
            middle_hz, fall_s = (
                np.exp(rng.uniform(np.log(80.0), np.log(2000.0))),
                rng.uniform(5e-3, 0.04),
            )
            burst[start:] += np.exp(-time_s / fall_s) * np.sin(2.0 * np.pi * middle_hz * time_s)
        return burst * setup.amplitude(rng.uniform(45.0, 70.0)) / 4.0

    # What ought to be found -----------------------------------------------------------------

    def _standing_db(self, setup: Setup, loudspeaker: Loudspeaker, axis: Any) -> list[float]:
        loudest = max(axis.rungs, key=lambda rung: rung.drive_dbfs)
        floors_db = np.array(
            [loudest.fundamental_floor_db - loudest.fundamental_db]
            + [loudest.harmonics[n].floor_db for n in range(2, ORDER + 1)]
        )
        grid_hz = axis.frequency_hz
        steady = _steady_db(setup, loudspeaker, grid_hz)
        swept = self._swept(setup, loudspeaker) if loudspeaker.excited else None
        heights = []
        for mode in loudspeaker.truth:
            near = [other for other in loudspeaker.truth if _as_one(mode, other)]
            if mode.kind == "radiated":
                lacking = _steady_db(setup, loudspeaker, grid_hz, near)
                heights.append(standing_db(mode, grid_hz, steady, lacking, floors_db))
            else:
                assert swept is not None
                complete = self._read(setup, swept, loudspeaker, ())
                lacking = self._read(setup, swept, loudspeaker, near)
                heights.append(standing_db(mode, grid_hz, complete, lacking, floors_db))
        return heights

    def _swept(self, setup: Setup, loudspeaker: Loudspeaker) -> Played:
        return play(loudspeaker.emitters(), self.single.waveform)

    def _read(
        self, setup: Setup, played: Played, loudspeaker: Loudspeaker, lacking: Any
    ) -> np.ndarray:
        """Return levels of a swept free field as the pipeline reads them; row 0 fundamental."""
        places = played.radiated(loudspeaker.emitters(lacking))
        heard_m = setup.microphones_m["axis"]
        paths = {p: setup.room.taps(setup.sources[p], heard_m, free=True) for p in places}
        sound = played.heard(places, paths)[: len(self.single.waveform) + RATE_HZ // 2]
        self.single.record(0.3 / float(np.max(np.abs(sound))) * sound, subtype="FLOAT")
        path = self.single.folder / "session.toml"
        path.write_text(
            f'[[takes]]\nposition = "axis"\nstimulus = "{self.single.sidecar.name}"\n'
            'recording = "take.wav"\n'
        )
        (take,), _ = searched(path)
        rung = take.rungs[0]
        return np.array(
            [rung.fundamental_db] + [rung.harmonics[n].level_db for n in range(2, ORDER + 1)]
        )


def _as_one(mode: TrueMode, other: TrueMode) -> bool:
    """Tell whether two poles are left out together: they count as one, or one curve has both."""
    apart = abs(np.log(other.frequency_hz / mode.frequency_hz))
    return other.group == mode.group and (mode.kind == "excited" or bool(apart <= ONE_WITHIN))


def standing_db(
    mode: TrueMode,
    grid_hz: np.ndarray,
    complete_db: np.ndarray,
    lacking_db: np.ndarray,
    floors_db: np.ndarray,
) -> float:
    """Return the least of three heights, in the order that shows the mode best.

    Over the median of the octave around it, over what is there without it, over the noise floor.
    Levels and floors are shaped ``(order, F)``; row 0 is the fundamental, the others are re that.
    """
    best = -np.inf
    for order in range(1 if mode.kind == "radiated" else 2, ORDER + 1):
        at_hz = mode.frequency_hz / (order if mode.kind == "radiated" else 1)
        octaves = np.abs(np.log2(grid_hz / at_hz))
        near = octaves <= max(1.0 / 48.0, 0.43 / mode.q)
        level_db = complete_db[order - 1]
        if not near.any() or not np.isfinite(level_db[near]).all():
            continue
        top = int(np.flatnonzero(near)[np.argmax(level_db[near])])
        over_noise = (0.0 if order == 1 else level_db[top]) - floors_db[order - 1, top]
        heights = (
            level_db[top] - float(np.nanmedian(level_db[octaves <= 0.5])),
            level_db[top] - lacking_db[order - 1, top],
            over_noise,
        )
        best = max(best, float(min(heights)))
    return best


def _steady_db(
    setup: Setup, loudspeaker: Loudspeaker, grid_hz: np.ndarray, lacking: Any = ()
) -> np.ndarray:
    """Return levels of a steady tone in a free field, as `standing_db` takes them."""
    lines = np.abs(
        harmonics(loudspeaker.emitters(lacking), grid_hz, LOUDEST, setup.distances_m, ORDER)
    )
    levels_db = 20.0 * np.log10(np.maximum(lines, 1e-12))
    levels_db[1:] -= levels_db[0]
    levels_db[np.arange(1, ORDER + 1)[:, None] * grid_hz > grid_hz[-1]] = np.nan
    return levels_db


class _SearchedError(Exception):
    pass


def searched(path: Path) -> tuple[list[Any], list[Any]]:
    """Return what a session's search for resonances is given: the takes, and hum."""
    box: list[Any] = []

    def catch(takes: Any, *_: Any, hum: Any = (), **__: Any) -> Any:
        box.append((list(takes), list(hum)))
        raise _SearchedError

    with mock.patch.object(pipeline, "find_resonances", catch):
        try:
            pipeline.analyse(path)
        except _SearchedError:
            return box[0]
    raise AssertionError("no search was asked for")


def _background(rng: np.random.Generator, setup: Setup, samples: int) -> np.ndarray:
    """Return noise between 20 Hz and 20 kHz, its power as f^(−2·slope), and mains lines."""
    count = 2**20
    frequency_hz = np.fft.rfftfreq(count, 1.0 / RATE_HZ)
    spectrum = rng.standard_normal(len(frequency_hz)) + 1j * rng.standard_normal(len(frequency_hz))
    spectrum *= np.maximum(frequency_hz, 20.0) ** -setup.noise_slope
    noise = np.fft.irfft(spectrum * (frequency_hz > 20.0) * (frequency_hz < 20e3), count)
    noise *= setup.amplitude(setup.noise_spl_db) / (np.sqrt(2.0) * np.sqrt(np.mean(noise**2)))
    noise = np.tile(noise, -(-samples // count))[:samples]
    time_s = np.arange(samples) / RATE_HZ
    for frequency, spl_db in setup.hum:
        turn = rng.uniform(0.0, 2.0 * np.pi)
        noise += setup.amplitude(spl_db) * np.sin(2.0 * np.pi * frequency * time_s + turn)
    return np.asarray(noise)


def _entry(mode: TrueMode) -> dict[str, Any]:
    entry = {name: value for name, value in vars(mode).items() if name != "pole"}
    return {**entry, "turn": None if mode.pole is None else mode.pole.turn}


def _decoys(setup: Setup, loudspeaker: Loudspeaker) -> list[dict[str, Any]]:
    listed = [*loudspeaker.decoys, *(("hum", f, spl) for f, spl in setup.hum)]
    if setup.knock:
        listed.append(("knock", 0.0, 0.0))
    listed.append(("crossover", loudspeaker.crossover_hz, 0.0))
    return [{"name": name, "frequency_hz": f, "level_db": level} for name, f, level in listed]
