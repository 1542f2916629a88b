"""Measuring set-ups drawn at random, and right ones among them; see also ``wrong_setups``."""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from sound_parts import (
    RATE_HZ,
    AutomaticGain,
    Channel,
    Loudspeaker,
    bump,
    high_pass,
    low_pass,
    ratio,
    room,
)
from sound_world import REFERENCE_PA, World

BAND_HZ = (40, 16000)
SWEEPS_S = (1.6, 3.0)
RECIPE = {
    "kind": "ladder",
    "name": "short",
    "rate_hz": RATE_HZ,
    "band_hz": list(BAND_HZ),
    "sweep_s": SWEEPS_S[0],  # each set-up draws its own
    "levels_dbfs": [-30, -20],  # never played: each set-up asks for its own
    "order": 4,
    "quiet_s": 0.8,
    "pause_s": 0.4,  # shorter than what World takes for the silence before a sweep
    "return_rung": False,
}
HIGHEST_AT_0DBFS_SPL_DB = 128.0
"""No loudspeaker here gives more at any frequency: the program may take 130 as the worst."""

BELIEVED_DB = {"calibrator": 1.0, "data sheet": 10.0}
"""So far the program believes a calibration that matches (issue: capture, point 1)."""

PLACES = ("room", "room", "near woofer", "near tweeter", "anechoic")


@dataclass
class Setup:
    """A set-up.

    Attributes
    ----------
    kind : what is wrong, one of wrong_setups.WRONG_KINDS, or "right".
    method : how it was calibrated: "calibrator", "data sheet" or "none".
    error_db : the truth minus what the calibration says (positive: louder than is read). For
        automatic gain it is known only afterwards.
    seen : why the error can be seen before anything loud; "" if it cannot.
    levels_spl_db, drives_dbfs : asked for; one of them is empty.
    full_scale_spl_db : what the calibration says of the input's full scale.
    note : what calibration.json records besides the number; empty: there is no file.
    accept_level_db : given as option where nobody sits at a terminal.
    gain_said : by whoever sits there, or as option.
    """

    seed: int
    kind: str
    place: str
    world: World
    method: str
    full_scale_spl_db: float
    sweep_s: float = SWEEPS_S[0]
    error_db: float = 0.0
    seen: str = ""
    detail: str = ""
    levels_spl_db: tuple[float, ...] = ()
    drives_dbfs: tuple[float, ...] = ()
    input_channel: int = 1
    loopback_channel: int | None = None
    note: dict[str, Any] = field(default_factory=dict)
    typed: bool = False
    correction_db: float = 0.0
    terminal: bool = True
    accept_level_db: float | None = None
    gain_said: str = "12 o'clock"
    ceiling_spl_db: float = 100.0
    volume_at_prompt_db: float = 0.0
    automatic: AutomaticGain | None = None

    def write(self, folder: Path) -> None:
        """Write session, calibration and correction."""
        folder.mkdir(parents=True, exist_ok=True)
        lines = ["[device]", 'name = "Brindlemoor Tarnbick 4"', "[conditions]"]
        lines.append(f"level_band_hz = {list(self.world.level_band_hz)}")
        pascal = REFERENCE_PA * ratio(self.full_scale_spl_db)
        if self.method != "none":
            lines.append("[calibration]")
            lines.append(
                f"pascal_per_fs = {pascal!r}" if self.typed else 'file = "calibration.json"'
            )
        if self.correction_db:
            lines.append('mic_correction = "mic.txt"')
            (folder / "mic.txt").write_text(
                f"20 {self.correction_db:.1f}\n20000 {self.correction_db:.1f}\n"
            )
        if self.note:
            now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
            data = {"schema": "distsweep.calibration/1", "pascal_per_fs": pascal, "date": now}
            (folder / "calibration.json").write_text(json.dumps({**data, **self.note}))
        (folder / "session.toml").write_text("\n".join(lines) + "\n")

    def options(self) -> list[str]:
        """Return the options of ``capture``, session and stimulus apart."""
        given = ["--input=0", "--output=0", f"--input-channel={self.input_channel}"]
        given += [f"--output-channel={self.world.speaks_on}"]
        given += [f"--ceiling-spl={self.ceiling_spl_db:g}"]
        if self.loopback_channel is not None:
            given.append(f"--loopback-channel={self.loopback_channel}")
        if self.levels_spl_db:
            given.append("--levels-spl=" + ", ".join(f"{x:g}" for x in self.levels_spl_db))
        else:
            given.append("--levels-dbfs=" + ", ".join(f"{x:g}" for x in self.drives_dbfs))
        if self.accept_level_db is not None and not self.terminal:
            given.append(f"--accept-level={self.accept_level_db:g}")
        if not self.terminal:
            given.append(f"--input-gain={self.gain_said}")
        return given


# The parts of a set-up -------------------------------------------------------------------------


def draw_loudspeaker(rng: np.random.Generator, place: str) -> Loudspeaker:
    parts = [high_pass(float(rng.uniform(40.0, 120.0)), int(rng.choice([2, 4])))]
    for _ in range(int(rng.integers(3, 7))):
        f_hz = float(np.exp(rng.uniform(np.log(80.0), np.log(14000.0))))
        parts.append(bump(f_hz, float(rng.uniform(0.7, 4.0)), float(rng.uniform(-6.0, 4.0))))
    if rng.random() < 0.25:
        parts.append(draw_resonance(rng))
    if place == "near woofer":
        parts.append(low_pass(float(rng.uniform(1500.0, 3500.0))))
    if place == "near tweeter":
        parts.append(high_pass(float(rng.uniform(1500.0, 3000.0))))
    return Loudspeaker(
        np.vstack(parts),
        second=float(rng.uniform(-0.06, 0.06)),
        third=float(rng.uniform(-0.08, 0.02)),
        limit_dbfs=float(rng.uniform(-10.0, -2.0)) if rng.random() < 0.25 else None,
    )


def draw_resonance(rng: np.random.Generator) -> np.ndarray:
    f_hz = float(np.exp(rng.uniform(np.log(60.0), np.log(400.0))))
    q = float(np.exp(rng.uniform(np.log(20.0), np.log(100.0))))
    return bump(f_hz, q, float(rng.uniform(6.0, 15.0)))


def draw_place(rng: np.random.Generator, place: str) -> tuple[np.ndarray, float]:
    """Return the impulse response and the background in dB SPL."""
    background_db = float(rng.uniform(25.0, 40.0))
    if place == "anechoic":
        return room(rng, distance_m=1.0, decay_s=0.0, direct_to_reverberant_db=0.0), float(
            rng.uniform(12.0, 25.0)
        )
    near = place.startswith("near")
    taps = room(
        rng,
        distance_m=float(rng.uniform(0.01, 0.03) if near else rng.uniform(0.4, 2.0)),
        decay_s=float(rng.uniform(0.2, 0.6)),
        direct_to_reverberant_db=float(rng.uniform(22.0, 32.0) if near else rng.uniform(-2.0, 9.0)),
    )
    return taps, background_db


def draw_world(rng: np.random.Generator, place: str, *, loudest_spl_db: float = 118.0) -> World:
    """Draw loudspeaker, place and an interface whose microphone is on one of 1 to 4 channels."""
    taps, background_db = draw_place(rng, place)
    microphone = Channel(
        "microphone",
        full_scale_spl_db=float(rng.uniform(105.0, 130.0)),
        own_spl_db=float(rng.uniform(15.0, 25.0)),
        # Converters of such boxes reach a dynamic range of 105 to 120 dB.
        line_dbfs=float(rng.uniform(-120.0, -105.0)),
    )
    channels = [draw_other(rng) for _ in range(int(rng.integers(0, 4)))]
    channels.insert(int(rng.integers(0, len(channels) + 1)), microphone)
    world = World(
        rng=rng,
        loudspeaker=draw_loudspeaker(rng, place),
        taps=taps,
        channels=channels,
        level_band_hz=(2500.0, 10000.0) if place == "near tweeter" else (300.0, 3000.0),
        background_spl_db=background_db,
        delay_s=float(rng.uniform(0.003, 0.06)),
        block=int(rng.choice([256, 480, 640])),
        speaks_on=int(rng.integers(1, 3)),
    )
    highest_db = min(loudest_spl_db, HIGHEST_AT_0DBFS_SPL_DB - world.loudest_above_band_db)
    world.set_sensitivity(float(rng.uniform(85.0, max(86.0, highest_db))))
    return world


def draw_other(rng: np.random.Generator) -> Channel:
    """Draw what else is plugged in."""
    kind = str(rng.choice(["hum", "open", "silence", "other microphone"]))
    return Channel(
        kind,
        full_scale_spl_db=float(rng.uniform(105.0, 130.0)),
        own_spl_db=float(rng.uniform(15.0, 25.0)),
        below_db=float(rng.uniform(10.0, 40.0)),
        line_dbfs=float(rng.uniform(-70.0, -40.0) if kind == "hum" else rng.uniform(-112.0, -98.0)),
    )


def microphone_of(world: World) -> Channel:
    return next(channel for channel in world.channels if channel.kind == "microphone")


def right_setup(seed: int, kind: str, rng: np.random.Generator, *, loudest_spl_db: float) -> Setup:
    """Return a right set-up that asks for nothing yet."""
    place = str(rng.choice(PLACES))
    world = draw_world(rng, place, loudest_spl_db=loudest_spl_db)
    microphone = microphone_of(world)
    setup = Setup(
        seed, kind, place, world, "calibrator", microphone.full_scale_spl_db,
        input_channel=world.channels.index(microphone) + 1,
        terminal=bool(rng.random() < 2 / 3), sweep_s=float(rng.choice(SWEEPS_S, p=[0.7, 0.3])),
    )  # fmt: skip
    record_note(setup)
    return setup


def record_note(setup: Setup) -> None:
    """Write a note that matches."""
    setup.note = {
        "method": setup.method,
        "input_gain": "12 o'clock",
        "device": "bench",
        "channel": setup.input_channel,
        "rate_hz": RATE_HZ,
    }


def ask_for(setup: Setup, rng: np.random.Generator, level_db: float) -> None:
    """Ask for two or three levels up to one in dB SPL, with a ceiling and an acceptance to fit."""
    levels_db = [level_db - 8.0, level_db] if rng.random() < 0.7 else [
        level_db - 12.0, level_db - 6.0, level_db,
    ]  # fmt: skip
    setup.levels_spl_db = tuple(round(x, 1) for x in levels_db)
    highest_db = level_db + setup.world.loudest_above_band_db + BELIEVED_DB.get(setup.method, 0.0)
    accept(setup, highest_db)


def accept(setup: Setup, highest_db: float) -> None:
    """Accept what is expected and 3 dB more; the ceiling is 100, or 110 where that is needed."""
    setup.accept_level_db = math.ceil(highest_db) + 3.0
    if highest_db + 1.5 > setup.ceiling_spl_db:
        setup.ceiling_spl_db = 110.0


# Right set-ups ---------------------------------------------------------------------------------


def draw_right(seed: int) -> Setup:
    """Draw a set-up in which everything is as it should be, asking for what it can do."""
    rng = np.random.default_rng([seed, 1])
    setup = right_setup(seed, "right", rng, loudest_spl_db=118.0)
    world = setup.world
    setup.method = str(rng.choice(["calibrator", "data sheet", "none"], p=[0.55, 0.25, 0.2]))
    peak_db = world.loudest_above_band_db
    if rng.random() < 0.2 and len(world.channels) < 4:
        world.channels.append(Channel("loop", below_db=float(rng.uniform(3.0, 30.0))))
        setup.loopback_channel = len(world.channels)
    if setup.method == "none":
        setup.note = {}
        # 130 dB SPL is taken for full scale: a ceiling of 110 leaves drives up to −20 dBFS.
        world.set_sensitivity(float(rng.uniform(100.0, max(101.0, min(118.0, 127.0 - peak_db)))))
        top_dbfs = float(rng.uniform(-45.0, -22.0))
        setup.drives_dbfs = tuple(round(top_dbfs + x, 1) for x in (-8.0, 0.0))
        accept(setup, 130.0 + top_dbfs)
        return setup
    if setup.method == "data sheet":
        setup.error_db = float(rng.uniform(-9.5, 9.5))
        setup.full_scale_spl_db -= setup.error_db
    record_note(setup)
    # In terms of the calibration: what the loudspeaker can do, and what the ceiling leaves.
    can_do_db = world.spl_at_0dbfs_db - setup.error_db - 2.0
    ceiling_db = 110.0 - 1.5 - BELIEVED_DB[setup.method] - peak_db
    if setup.method == "calibrator" and rng.random() < 0.25:
        # All of it below 70: nothing may be asked, so nothing is accepted beforehand either.
        ask_for(setup, rng, min(68.0 - peak_db, can_do_db))
        setup.accept_level_db = None
    else:
        highest_db = max(61.0, min(95.0, can_do_db, ceiling_db))
        ask_for(setup, rng, float(rng.uniform(60.0, highest_db)))
    return setup
