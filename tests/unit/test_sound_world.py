"""The simulated world that bench_setups.py measures in, against closed forms, and its bars."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from conftest import long
from drawn_setups import Setup, draw_right
from judged_setups import run_setup
from sound_parts import (
    RATE_HZ,
    AutomaticGain,
    Channel,
    Convolver,
    Line,
    Loudspeaker,
    Suppressor,
    bump,
    high_pass,
    room,
)
from sound_world import Raise, World
from wrong_setups import draw_wrong

from distsweep.capture.backend import Route

FULL_SCALE_SPL_DB = 120.0


def flat_world(*, spl_at_0dbfs_db: float = 100.0, **changes: object) -> World:
    """Return an anechoic world whose loudspeaker is flat from 10 Hz."""
    rng = np.random.default_rng(3)
    data = {
        "rng": rng,
        "loudspeaker": Loudspeaker(high_pass(10.0)),
        "taps": room(rng, distance_m=1.0, decay_s=0.0, direct_to_reverberant_db=0.0),
        "channels": [Channel("microphone", full_scale_spl_db=FULL_SCALE_SPL_DB)],
        "spl_at_0dbfs_db": spl_at_0dbfs_db,
        "background_spl_db": 20.0,
        **changes,
    }
    return World(**data)


class Plays:
    """Plays an array to a world's end and keeps what comes back."""

    def __init__(self, wave: np.ndarray) -> None:
        self.wave, self.sent = wave, 0
        self.blocks: list[np.ndarray] = []

    def fill(self, block: np.ndarray) -> bool:
        part = self.wave[self.sent : self.sent + len(block)]
        block[:] = 0.0
        block[: len(part)] = part
        self.sent += len(block)
        return self.sent >= len(self.wave)

    def hear(self, block: np.ndarray, *, dropped: bool) -> bool:
        self.blocks.append(block)
        return self.sent >= len(self.wave)

    @property
    def heard(self) -> np.ndarray:
        return np.concatenate(self.blocks).astype(float)


def played(world: World, wave: np.ndarray, *, output_channel: int = 1) -> np.ndarray:
    device = world.devices()[0]
    route = Route(
        output=device, output_channel=output_channel, input=device, input_channel=1,
        loopback_channel=None, input_channels=device.inputs, rate_hz=RATE_HZ,
    )  # fmt: skip
    plays = Plays(wave)
    world.exchange(route, plays, lambda: None)
    return plays.heard


def sine(f_hz: float, level_dbfs: float, seconds: float) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * f_hz * time_s)


def level_dbfs(wave: np.ndarray) -> float:
    return 10.0 * float(np.log10(2.0 * np.mean(wave**2)))


@pytest.mark.parametrize("block", [256, 480])
def test_a_sine_has_the_level_that_its_drive_and_the_sensitivity_give(block: int) -> None:
    world = flat_world(block=block)
    heard = played(world, sine(1000.0, -20.0, 0.5))
    assert world.meter.highest_db() == pytest.approx(80.0, abs=0.01)
    assert level_dbfs(heard[-9600:, 0]) == pytest.approx(80.0 - FULL_SCALE_SPL_DB, abs=0.05)


def test_nothing_sounds_on_an_output_that_no_loudspeaker_is_plugged_into() -> None:
    world = flat_world()
    played(world, sine(1000.0, -20.0, 0.5), output_channel=2)
    assert world.meter.highest_db() < -200.0


def test_the_background_reads_as_loud_as_room_and_microphone_are() -> None:
    world = flat_world(background_spl_db=30.0)
    microphone = world.channels[0]
    microphone.own_spl_db = 30.0
    # Two equal noises are 3 dB louder than one; between 20 Hz and 20 kHz a third of a decibel of
    # the white one is missing.
    reading_db = world.background_dbfs(microphone, band_hz=(20.0, 20000.0)) + FULL_SCALE_SPL_DB
    assert reading_db == pytest.approx(33.0, abs=0.7)


def test_a_resonance_has_its_height_and_rings_with_its_q() -> None:
    f_hz, q, gain_db = 200.0, 50.0, 12.0
    loudspeaker = Loudspeaker(bump(f_hz, q, gain_db))
    response = np.abs(loudspeaker.response(np.array([20.0, f_hz, 2000.0])))
    assert 20.0 * np.log10(response) == pytest.approx([0.0, gain_db, 0.0], abs=0.02)
    pulse = np.zeros(RATE_HZ)
    pulse[0] = 1.0
    ringing = loudspeaker.play(pulse)
    parts = ringing[2400:12000].reshape(2, 4800)
    decay = float(np.sqrt(np.sum(parts[1] ** 2) / np.sum(parts[0] ** 2)))
    assert decay == pytest.approx(np.exp(-np.pi * f_hz / q * 0.1), rel=0.01)


def test_direct_and_reverberant_energy_stand_as_asked() -> None:
    taps = room(
        np.random.default_rng(1), distance_m=0.343, decay_s=0.4, direct_to_reverberant_db=6.0
    )
    direct = round(0.001 * RATE_HZ)
    assert np.flatnonzero(taps)[0] == direct
    energy = float(np.sum(taps[direct + 1 :] ** 2))
    assert 10.0 * np.log10(taps[direct] ** 2 / energy) == pytest.approx(6.0, abs=0.01)


def test_blocks_are_convolved_as_the_whole_would_be(rng) -> None:
    taps, wave = rng.standard_normal(1777), rng.standard_normal(480 * 9)
    convolver = Convolver(taps, 480)
    got = np.concatenate([convolver.next(part) for part in wave.reshape(-1, 480)])
    assert got == pytest.approx(np.convolve(wave, taps)[: len(wave)], abs=1e-9)


@pytest.mark.parametrize("delay", [0, 7, 480, 5000])
def test_a_line_delays_by_its_samples(rng, delay: int) -> None:
    wave = rng.standard_normal(480 * 15)
    line = Line(delay, 480)
    got = np.concatenate([line.next(part) for part in wave.reshape(-1, 480)])
    assert np.array_equal(got[delay:], wave[: len(wave) - delay])
    assert not np.any(got[:delay])


def test_a_suppressor_opens_with_sound_and_shuts_after_it() -> None:
    suppress = Suppressor(-60.0, None)
    quiet, loud = sine(1000.0, -80.0, 0.01), sine(1000.0, -30.0, 0.01)
    assert not np.any(suppress(quiet))
    suppress(loud)
    assert np.array_equal(suppress(loud), loud)
    for _ in range(100):
        last = suppress(quiet)
    assert not np.any(last)


def test_automatic_gain_settles_and_tells_how_far_below_its_calibration_it_went() -> None:
    control = AutomaticGain(target_dbfs=-20.0, range_db=15.0, calibrated_db=5.0, seconds=0.5)
    for _ in range(1000):
        out = control(sine(1000.0, -10.0, 0.01))
    # It wants −10 dB; the calibration was made at +5, so 15 dB less is read than there is.
    assert level_dbfs(out) == pytest.approx(-10.0 - 15.0, abs=0.05)
    assert control.lowest_db == pytest.approx(-15.0, abs=0.05)


def test_the_volume_is_turned_in_the_sweep_and_not_in_the_marker_before() -> None:
    world = flat_world(raised=Raise(by_db=12.0, drive_dbfs=-20.0, after_s=0.3))
    silence = np.zeros(RATE_HZ)
    wave = np.concatenate([silence, sine(2000.0, -20.0, 0.4), silence, sine(500.0, -20.0, 1.0)])
    played(world, wave)
    sweep_at = 2.4 * RATE_HZ
    assert world.raised_at == pytest.approx(sweep_at + 0.3 * RATE_HZ, abs=2 * world.block)
    assert world.meter.highest_db() == pytest.approx(92.0, abs=0.05)


def no_cable() -> World:
    """Return a flat world but for a dip at 12 kHz: a response without any would be a cable's."""
    return flat_world(
        loudspeaker=Loudspeaker(np.concatenate([high_pass(10.0), bump(12000.0, 1.0, -3.0)]))
    )


def by_hand(*, error_db: float = 0.0, level_db: float = 68.0, **changes: object) -> Setup:
    """Return a set-up in a flat world whose calibration reads ``error_db`` too little."""
    setup = Setup(
        1, "right" if not error_db else "calibration off", "anechoic", no_cable(), "calibrator",
        FULL_SCALE_SPL_DB - error_db, error_db=error_db, levels_spl_db=(level_db - 8.0, level_db),
        note={"method": "calibrator", "input_gain": "12 o'clock", "device": "bench", "channel": 1,
              "rate_hz": RATE_HZ},
    )  # fmt: skip
    return dataclasses.replace(setup, **changes)


@pytest.mark.parametrize("error_db", [long(0.0), 6.0])
def test_a_captured_sweep_is_as_loud_as_asked_and_the_error_of_the_calibration_more(
    tmp_path: Path, error_db: float
) -> None:
    outcome = run_setup(by_hand(error_db=error_db), tmp_path / "session")
    assert outcome.ran.exit_code == 0, outcome.ran.stderr
    assert outcome.highest_db == pytest.approx(68.0 + error_db, abs=0.3)
    assert outcome.questions == [] and outcome.misses == []
    assert outcome.allowed_db == pytest.approx(1.0 + max(0.0, error_db - 1.0))


def test_a_bar_is_missed_where_it_is_louder_than_allowed(tmp_path: Path) -> None:
    hidden = by_hand(error_db=6.0)
    known = dataclasses.replace(hidden, error_db=0.0)  # the same, but nothing is to be wrong
    # 74 dB SPL where 70 is the most without a question.
    (miss,) = run_setup(known, tmp_path / "session").misses
    assert miss.endswith("dB re what was confirmed") and 3.7 <= float(miss.split()[0]) <= 4.3


def test_a_right_set_up_that_is_refused_misses_a_bar(tmp_path: Path) -> None:
    setup = by_hand(terminal=False, ceiling_spl_db=50.0)
    assert "a right set-up was refused" in run_setup(setup, tmp_path / "session").misses


def test_a_raised_volume_ends_what_sounds_and_the_time_is_measured(tmp_path: Path) -> None:
    setup = by_hand(kind="volume mid-rung")
    setup.world.raised = Raise(by_db=12.0, drive_dbfs=-32.0, after_s=0.9)
    outcome = run_setup(setup, tmp_path / "session")
    assert outcome.ran.exit_code == 4, outcome.ran.stderr
    assert outcome.ended_after_s is not None and 0.01 < outcome.ended_after_s <= 0.1


def test_seeds_draw_the_same_set_up_again() -> None:
    for draw in (draw_right, draw_wrong):
        first, again = draw(77), draw(77)
        assert first.options() == again.options() and first.error_db == again.error_db
        assert first.world.spl_at_0dbfs_db == again.world.spl_at_0dbfs_db
        assert draw(78).world.spl_at_0dbfs_db != first.world.spl_at_0dbfs_db
