"""Measuring set-ups in which something is wrong, drawn at random, with the error in decibels."""

from __future__ import annotations

from typing import Any

import numpy as np
from drawn_setups import (
    BAND_HZ,
    HIGHEST_AT_0DBFS_SPL_DB,
    Setup,
    accept,
    ask_for,
    draw_other,
    draw_resonance,
    microphone_of,
    record_note,
    right_setup,
)
from sound_parts import AutomaticGain, Channel, Suppressor
from sound_world import Raise

LEAST_BACKGROUND_SPL_DB = 5.0
FULL_SCALES_SPL_DB = (90.0, 160.0)
"""A background below, or a full scale outside, can be seen to be wrong (point 1)."""

SEEN_BY_DB = 2.0
"""Only what is so far beyond those limits is called seen: what counts as background, and over
which band and how long, moves its reading by a decibel or two."""

WRONG_KINDS = {
    "calibration off": 0.16,
    "note of another": 0.10,
    "gain changed": 0.10,
    "gain changed, knob read": 0.05,
    "other channel": 0.09,
    "loop-back": 0.08,
    "loop-back and reference": 0.04,
    "noise suppression": 0.06,
    "automatic gain": 0.06,
    "delay": 0.05,
    "typed": 0.05,
    "correction": 0.02,
    "resonance": 0.04,
    "volume at the prompt": 0.04,
    "volume mid-rung": 0.06,
}


def draw_wrong(seed: int) -> Setup:
    """Draw a set-up in which something is wrong."""
    rng = np.random.default_rng([seed, 2])
    kind = str(rng.choice(list(WRONG_KINDS), p=list(WRONG_KINDS.values())))
    setup = right_setup(seed, kind, rng, loudest_spl_db=118.0)
    if rng.random() < 0.25 and not kind.startswith("volume"):
        setup.method = "data sheet"
        record_note(setup)
    _WRONGS[kind](setup, rng)
    if kind not in ("volume mid-rung", "delay") and rng.random() < 0.15:
        setup.world.delay_s = float(rng.uniform(0.06, 3.0))
    _ask_wrongly(setup, rng)
    if not setup.seen:
        setup.seen = _seen_by_numbers(setup)
    return setup


def _ask_wrongly(setup: Setup, rng: np.random.Generator) -> None:
    """Ask for what whoever believes the calibration would ask for."""
    world = setup.world
    can_do_db = world.spl_at_0dbfs_db - setup.error_db - 1.0
    if setup.levels_spl_db or setup.drives_dbfs:
        return
    if setup.method == "none" or rng.random() < 0.25 or (can_do_db < 60.0 and rng.random() < 0.5):
        top_dbfs = float(rng.uniform(-30.0, -3.0))
        setup.drives_dbfs = (round(top_dbfs - 8.0, 1), round(top_dbfs, 1))
        highest_db = can_do_db + top_dbfs + world.loudest_above_band_db
        if setup.method == "none" or setup.typed:
            highest_db = 130.0 + top_dbfs  # what the program says that it might be
        accept(setup, min(highest_db, 107.0))
        return
    highest_db = min(95.0, can_do_db)
    level_db = float(rng.uniform(60.0, highest_db)) if highest_db > 61.0 else highest_db
    ask_for(setup, rng, max(level_db, 15.0))


def _seen_by_numbers(setup: Setup) -> str:
    """Tell whether background or full scale, as read, cannot be."""
    if setup.method == "none" or setup.typed:
        return "not believed"
    low_db, high_db = FULL_SCALES_SPL_DB
    said_db = setup.full_scale_spl_db
    if said_db < low_db - 0.1 or said_db > high_db + 0.1:
        return f"full scale reads {said_db:.0f} dB SPL"
    world = setup.world
    channel = world.channels[setup.input_channel - 1]
    dbfs = world.background_dbfs(channel, band_hz=(float(BAND_HZ[0]), float(BAND_HZ[1])))
    if setup.automatic is not None:
        setup.automatic.lowest_db = np.inf
    background_db = dbfs + said_db
    if background_db < LEAST_BACKGROUND_SPL_DB - SEEN_BY_DB:
        reading = f"{background_db:.0f} dB SPL" if background_db > -100.0 else "nothing at all"
        return f"background reads {reading}"
    return ""


def _off(setup: Setup, error_db: float) -> None:
    """Let the number in the note be wrong."""
    setup.error_db = error_db
    setup.full_scale_spl_db -= error_db
    setup.detail = f"{error_db:+.0f} dB"


def _calibration_off(setup: Setup, rng: np.random.Generator) -> None:
    _off(setup, float(rng.uniform(-60.0, 60.0)))


def _another(setup: Setup, rng: np.random.Generator) -> None:
    _off(setup, float(rng.uniform(-40.0, 40.0)))
    what = str(rng.choice(["device", "channel", "rate", "gain"]))
    if what == "gain" and setup.terminal:
        setup.terminal = False  # at a terminal the gain is asked for: see "gain changed, knob read"
    change: dict[str, Any] = {
        "device": {"device": "another box"},
        "channel": {"channel": setup.input_channel % 4 + 1},
        "rate": {"rate_hz": 44100},
        "gain": {"input_gain": "9 o'clock"},
    }[what]
    setup.note.update(change)
    setup.seen = f"note says another {what}"


def _gain_changed(setup: Setup, rng: np.random.Generator) -> None:
    """Turn the gain after the calibration: by ``error_db`` down, so that less is read."""
    error_db = float(rng.choice([-1.0, 1.0, 1.0]) * rng.uniform(8.0, 40.0))
    setup.error_db = error_db
    microphone = microphone_of(setup.world)
    microphone.full_scale_spl_db += error_db
    setup.detail = f"{error_db:+.0f} dB"


def _gain_read(setup: Setup, rng: np.random.Generator) -> None:
    _gain_changed(setup, rng)
    setup.gain_said = "9 o'clock"
    if not setup.terminal:
        setup.seen = "--input-gain says another"


def _other_channel(setup: Setup, rng: np.random.Generator) -> None:
    """Leave the calibrated channel to something else; the microphone is plugged in elsewhere."""
    world = setup.world
    kind = str(rng.choice(["other microphone", "crosstalk", "hum", "open", "silence"],
                          p=[0.4, 0.25, 0.15, 0.1, 0.1]))  # fmt: skip
    other = draw_other(rng)
    other.kind = kind
    other.line_dbfs = float(
        rng.uniform(-70.0, -40.0) if kind == "hum" else rng.uniform(-112.0, -98.0)
    )
    other.below_db = float(
        rng.uniform(45.0, 70.0) if kind == "crosstalk" else rng.uniform(5.0, 40.0)
    )
    place = setup.input_channel - 1
    world.channels.insert(place, other)
    microphone = microphone_of(world)
    # The note was made for the microphone; what is read now lies so far below.
    setup.error_db = 0.0
    if kind == "other microphone":
        setup.error_db = other.below_db + other.full_scale_spl_db - microphone.full_scale_spl_db
    elif kind == "crosstalk":
        setup.error_db = other.below_db
    setup.detail = f"{kind} {setup.error_db:+.0f} dB"


def _loop(setup: Setup, rng: np.random.Generator) -> None:
    """Let the input be wired to the output."""
    channel = setup.world.channels[setup.input_channel - 1]
    channel.kind = "loop"
    channel.below_db = float(rng.uniform(0.0, 40.0))
    setup.error_db = setup.world.spl_at_0dbfs_db + channel.below_db - setup.full_scale_spl_db
    setup.detail = f"−{channel.below_db:.0f} dB"
    setup.seen = "a loop-back"


def _loop_and_reference(setup: Setup, rng: np.random.Generator) -> None:
    _loop(setup, rng)
    setup.world.channels.append(Channel("loop", below_db=float(rng.uniform(0.0, 20.0))))
    setup.loopback_channel = len(setup.world.channels)
    setup.seen = "a loop-back, no delay against the reference"


def _suppression(setup: Setup, rng: np.random.Generator) -> None:
    microphone = microphone_of(setup.world)
    threshold_db = float(rng.uniform(42.0, 60.0))
    floor_db = None if rng.random() < 0.5 else float(rng.uniform(-60.0, -20.0))
    microphone.treat = Suppressor(threshold_db - microphone.full_scale_spl_db, floor_db)
    setup.detail = f"below {threshold_db:.0f} dB SPL"


def _automatic(setup: Setup, rng: np.random.Generator) -> None:
    microphone = microphone_of(setup.world)
    range_db = float(rng.uniform(6.0, 20.0))
    setup.automatic = AutomaticGain(
        target_dbfs=float(rng.uniform(-35.0, -15.0)),
        range_db=range_db,
        calibrated_db=float(rng.uniform(-range_db, range_db)),
        seconds=float(rng.uniform(0.5, 4.0)),
    )
    microphone.treat = setup.automatic
    setup.detail = f"±{range_db:.0f} dB"


def _delay(setup: Setup, rng: np.random.Generator) -> None:
    setup.world.delay_s = float(rng.uniform(0.1, 3.0))
    setup.detail = f"{setup.world.delay_s:.2f} s"


def _typed(setup: Setup, rng: np.random.Generator) -> None:
    if rng.random() < 0.3:
        setup.method, setup.note, setup.detail = "none", {}, "no calibration"
        return
    _off(setup, float(rng.uniform(-60.0, 60.0)))
    setup.typed, setup.note = True, {}


def _correction(setup: Setup, rng: np.random.Generator) -> None:
    setup.correction_db = 40.0
    setup.error_db = 40.0
    setup.detail = "+40 dB"
    setup.seen = "a correction of +40 dB"


def _resonance(setup: Setup, rng: np.random.Generator) -> None:
    world = setup.world
    world.loudspeaker.sections = np.vstack([world.loudspeaker.sections, draw_resonance(rng)])
    world.set_sensitivity(
        min(world.spl_at_0dbfs_db, HIGHEST_AT_0DBFS_SPL_DB - world.loudest_above_band_db - 15.0)
    )


def _volume_at_prompt(setup: Setup, rng: np.random.Generator) -> None:
    setup.terminal = True
    setup.volume_at_prompt_db = float(rng.uniform(10.0, 20.0))
    setup.detail = f"{setup.volume_at_prompt_db:+.0f} dB"
    highest_db = min(90.0, setup.world.spl_at_0dbfs_db - 12.0)
    ask_for(setup, rng, float(rng.uniform(72.0, max(73.0, highest_db))))


def _volume_mid_rung(setup: Setup, rng: np.random.Generator) -> None:
    world = setup.world
    by_db = float(rng.uniform(7.0, 20.0))
    level_db = float(rng.uniform(70.0, max(71.0, min(90.0, world.spl_at_0dbfs_db - 12.0))))
    ask_for(setup, rng, level_db)
    drive_dbfs = level_db - world.spl_at_0dbfs_db
    # Not below the loudspeaker's range, where a raise is hardly heard: the sweep passes 100 Hz
    # after a quarter, 400 Hz after 45 % (it starts at 16 Hz); a tweeter's near field later.
    first = 0.72 if setup.place == "near tweeter" else 0.35
    world.raised = Raise(by_db, drive_dbfs, setup.sweep_s * float(rng.uniform(first, 0.88)))
    world.loudspeaker.limit_dbfs = None  # a limiter would take the raise back
    setup.detail = f"{by_db:+.0f} dB"


_WRONGS = {
    "calibration off": _calibration_off,
    "note of another": _another,
    "gain changed": _gain_changed,
    "gain changed, knob read": _gain_read,
    "other channel": _other_channel,
    "loop-back": _loop,
    "loop-back and reference": _loop_and_reference,
    "noise suppression": _suppression,
    "automatic gain": _automatic,
    "delay": _delay,
    "typed": _typed,
    "correction": _correction,
    "resonance": _resonance,
    "volume at the prompt": _volume_at_prompt,
    "volume mid-rung": _volume_mid_rung,
}
