"""The simulator of unlike loudspeakers and rooms does what it says; no search takes part."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from closed_form import flat
from unlike_draws import draw_loudspeaker
from unlike_drivers import LOUDEST, TrueMode, plain_loudspeaker
from unlike_loudspeakers import (
    RATE_HZ,
    Emitter,
    Pole,
    band_pass,
    butterworth,
    harmonics,
    modes,
    passing,
    play,
    rattling,
)
from unlike_measured import Stand, draw_setup, searched, standing_db
from unlike_rooms import LATENCY_S, OCTAVES_HZ, SOUND_M_S, Room, Source
from unlike_score import RoomScore

AT_1_M = {"woofer": 1.0, "port": 1.0, "tweeter": 1.0, "cabinet": 1.0}


def _in_octave(taps: np.ndarray, octave_hz: float) -> np.ndarray:
    frequency_hz = np.fft.rfftfreq(len(taps), 1.0 / RATE_HZ)
    octaves = np.log2(np.maximum(frequency_hz, 1.0) / octave_hz)
    return np.fft.irfft(np.fft.rfft(taps) * np.exp(-0.5 * (octaves / 0.35) ** 2), len(taps))


def _decay_s(taps: np.ndarray, octave_hz: float) -> float:
    """From −10 to −25 dB of the energy that is still to come, as 60 dB."""
    left = np.cumsum(_in_octave(taps, octave_hz)[::-1] ** 2)[::-1]
    level_db = 10.0 * np.log10(np.maximum(left / left[0], 1e-12))
    return float((np.argmax(level_db < -25.0) - np.argmax(level_db < -10.0)) * 4.0 / RATE_HZ)


def test_energy_falls_as_drawn_in_every_octave() -> None:
    ratios = []
    for seed in range(6):
        setup = draw_setup(np.random.default_rng(seed))
        taps = setup.room.taps(setup.sources["woofer"], setup.microphones_m["axis"])
        ratios.append(
            [_decay_s(taps, OCTAVES_HZ[k]) / setup.room.decay_s[k] for k in (1, 2, 3, 4, 5)]
        )
    assert np.all(np.abs(np.median(ratios, axis=0) - 1.0) < 0.2)
    assert np.min(ratios) > 0.5
    assert np.max(ratios) < 1.6


@pytest.mark.parametrize("distance_m", [1.0, 1.7])
def test_direct_sound_falls_with_distance_and_comes_when_it_should(distance_m: float) -> None:
    room = Room.draw(np.random.default_rng(4))
    source = Source(np.array([1.0, 1.5, 1.1]), 0.06)
    heard_m = source.place_m + distance_m * room.facing
    taps = room.taps(source, heard_m, free=True)
    spectrum = np.fft.rfft(taps)
    frequency_hz = np.fft.rfftfreq(len(taps), 1.0 / RATE_HZ)
    heard = (frequency_hz > 50.0) & (frequency_hz < 16e3)
    assert np.abs(spectrum[heard]) * distance_m == pytest.approx(1.0, abs=0.01)
    late_s = (
        -np.polyfit(frequency_hz[heard], np.unwrap(np.angle(spectrum[heard])), 1)[0] / 2 / np.pi
    )
    assert late_s == pytest.approx(LATENCY_S + distance_m / SOUND_M_S, abs=6e-6)
    aside_m = source.place_m + distance_m * np.array([-room.facing[1], room.facing[0], 0.0])
    shaded = np.abs(np.fft.rfft(room.taps(source, aside_m, free=True)))
    low, high = (frequency_hz > 50) & (frequency_hz < 125), (frequency_hz > 4e3) & heard
    assert np.median(shaded[low]) * distance_m > 0.9
    assert np.median(shaded[high]) * distance_m < 0.6


def test_near_field_hears_20_db_less_of_the_room() -> None:
    for seed in range(4):
        setup = draw_setup(np.random.default_rng(seed))
        shares_db = []
        for position in ("axis", "woofer"):
            way = setup.sources["woofer"], setup.microphones_m[position]
            direct = setup.room.taps(*way, free=True)
            whole = setup.room.taps(*way)
            room = whole.copy()
            room[: len(direct)] -= direct[: len(room)]
            shares_db.append(10.0 * np.log10(np.sum(direct**2) / np.sum(room**2)))
        assert shares_db[1] - shares_db[0] > 20.0
        assert -8.0 < shares_db[0] < 12.0


@pytest.mark.parametrize("turn", [0.0, 1.5, -2.5, np.pi])
def test_pole_lifts_by_what_it_is_drawn_with_and_rings_at_its_frequency(turn: float) -> None:
    pole = Pole(700.0, 30.0, turn, 10.0 ** (9.0 / 20.0))
    fine_hz = 700.0 * np.geomspace(0.9, 1.1, 20001)
    heard = np.abs(1.0 + pole.response(fine_hz))
    assert 20.0 * np.log10(np.max(heard)) == pytest.approx(9.0, abs=0.25)
    click = np.zeros(RATE_HZ // 2)
    click[0] = 1.0
    emitter = Emitter(flat, ((flat, lambda x: 0.0 * x),), True, {"woofer": modes([pole])})
    played = play([emitter], click)
    places = played.radiated([emitter])
    ringing = np.fft.irfft(places["woofer"], played.length)[: RATE_HZ // 2]
    # Of a lone pole pair two samples tell the third: x[n] = 2·ρ·cos(ω)·x[n−d] − ρ²·x[n−2d].
    lag = 15
    late = ringing[480:4800]
    (first, second), *_ = np.linalg.lstsq(
        np.stack([late[lag:-lag], late[: -2 * lag]], axis=1), late[2 * lag :], rcond=None
    )
    root = np.roots([1.0, -first, -second])[0]
    s = np.log(root) * RATE_HZ / lag
    assert np.abs(s) / 2.0 / np.pi == pytest.approx(700.0, rel=1e-4)
    assert np.abs(s) / (-2.0 * s.real) == pytest.approx(30.0, rel=0.01)


def test_excited_branch_makes_products_of_the_tone_only_and_as_computed() -> None:
    branch = Emitter(
        flat,
        ((band_pass(300.0, 20.0), rattling(0.05, 0.02)),),
        False,
        {"port": butterworth(200.0, 2, high=True)},
    )
    seconds = 4.0
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    for tone_hz in (300.0, 600.0):
        played = play([branch], 0.3 * np.cos(2.0 * np.pi * tone_hz * time_s))
        sound = np.fft.irfft(played.radiated([branch])["port"], played.length)
        steady = sound[RATE_HZ : 2 * RATE_HZ]
        lines = np.abs(np.fft.rfft(steady)) / (RATE_HZ / 2)
        at = (int(tone_hz) * np.arange(1, 6)).tolist()
        expected = harmonics([branch], np.array([tone_hz]), 0.3, AT_1_M)[:, 0]
        assert lines[at] == pytest.approx(np.abs(expected), rel=0.01, abs=1e-7)
        others = np.delete(lines, (int(tone_hz) * np.arange(0, RATE_HZ // 2 // int(tone_hz) + 1)))
        assert np.max(others) < 1e-3 * max(np.max(lines[at]), 1e-4)
    # An octave above itself it is hardly set off: the last tone's products are next to nothing.
    assert np.abs(expected[1]) < 1e-3


def test_sweep_passes_a_mode_by_as_much_as_computed() -> None:
    rate_constant_s, q, f = 0.847, 60.0, 150.0
    time_s = np.arange(int(2.0 * RATE_HZ)) / RATE_HZ
    sweep = np.sin(2.0 * np.pi * 50.0 * rate_constant_s * np.exp(time_s / rate_constant_s))
    sweep *= np.minimum(1.0, time_s / 0.2)
    size = 4 * RATE_HZ
    frequency_hz = np.fft.rfftfreq(size, 1.0 / RATE_HZ)
    heard = np.fft.irfft(np.fft.rfft(sweep, size) * band_pass(f, q)(frequency_hz), size)
    assert passing(f, q, rate_constant_s) == pytest.approx(np.max(np.abs(heard)), rel=0.03)


def test_harmonics_are_of_realistic_size() -> None:
    levels_db = []
    for seed in range(40):
        plain = plain_loudspeaker(np.random.default_rng(seed))
        lines = np.abs(
            harmonics(plain.emitters(), np.array([100.0, 300.0, 1000.0]), LOUDEST, AT_1_M)
        )
        levels_db.append(20.0 * np.log10(lines[1:3] / lines[0]))
        assert 0.5 < lines[0, 1] / LOUDEST < 2.0
    middle = np.median(levels_db, axis=0)
    assert np.all((middle[0] > -68.0) & (middle[0] < -42.0)), middle
    assert np.all((middle[1] > -78.0) & (middle[1] < -45.0)), middle
    assert np.max(levels_db) < -25.0


def test_draws_hold_modes_of_every_family_and_none_where_none_is_asked_for() -> None:
    drawn = [draw_loudspeaker(np.random.default_rng(seed), AT_1_M) for seed in range(60)]
    families = {mode.family for one in drawn for mode in one.truth}
    assert families == {"single", "pair", "pipe", "panel", "branch", "coupled"}
    assert all(8.0 <= mode.q <= 60.0 for one in drawn for mode in one.truth)
    assert any(mode.hidden for one in drawn for mode in one.truth)
    none = draw_loudspeaker(np.random.default_rng(1), AT_1_M, resonant=False)
    assert none.truth == () and none.excited == ()


def test_excited_branch_is_as_strong_as_drawn_and_goes_with_its_group() -> None:
    for seed in range(30):
        one = draw_loudspeaker(np.random.default_rng(seed), AT_1_M)
        mine = [mode for mode in one.truth if mode.family == "branch"]
        if mine:
            break
    mode = mine[0]
    # A sweep sets it off less than a steady tone: its share of that is what it is drawn for.
    drive = LOUDEST * passing(mode.frequency_hz, mode.q, 0.847)
    at = np.array([mode.frequency_hz])
    (branch,) = (emitter for group, emitter in one.excited if group == mode.group)
    made = np.abs(harmonics([branch], at, drive, AT_1_M))[1:3, 0]
    around = mode.frequency_hz * np.geomspace(2.0**-0.3, 2.0**0.3, 15)
    emitters = replace(one, excited=()).emitters()
    own = np.median(np.abs(harmonics(emitters, around, LOUDEST, AT_1_M))[1:3], axis=1)
    lift_db = 10.0 * np.log10(1.0 + np.max(made / own) ** 2)
    assert lift_db == pytest.approx(mode.lift_db, abs=0.3)
    assert len(one.emitters([mode])) == len(one.emitters()) - 1


def test_swept_free_field_is_as_in_closed_form(tmp_path: Path) -> None:
    """Simulator and pipeline know nothing of each other: levels agree to hundredths."""
    stand = Stand(tmp_path / "stand")
    setup = draw_setup(np.random.default_rng(3))
    one = plain_loudspeaker(np.random.default_rng(3))
    played = play(one.emitters(), stand.single.waveform)
    places = played.radiated(one.emitters())
    axis_m = setup.microphones_m["axis"]
    paths = {p: setup.room.taps(setup.sources[p], axis_m, free=True) for p in places}
    stand.single.record(0.5 * played.heard(places, paths), subtype="FLOAT")
    (stand.single.folder / "session.toml").write_text(
        '[[takes]]\nposition = "axis"\nstimulus = "one.json"\nrecording = "take.wav"\n'
    )
    (take,), hum = searched(stand.single.folder / "session.toml")
    f = take.frequency_hz
    expected = np.abs(harmonics(one.emitters(), f, LOUDEST, setup.distances_m))
    read = (f > 80.0) & (f < 3000.0)
    for order in (2, 3):
        level_db = 20.0 * np.log10(expected[order - 1] / expected[0])
        off_db = np.abs(take.rungs[0].harmonics[order].level_db - level_db)[read]
        assert np.median(off_db) < 0.03, order
    assert hum == [] and not take.rungs[0].clipped


def test_standing_height_is_the_least_of_three() -> None:
    grid_hz = np.geomspace(100.0, 10000.0, 320)
    mode = TrueMode(1000.0, 20.0, "excited", "branch", "woofer", 0, 9.0)
    lacking = np.full((5, 320), -60.0)
    complete, floors = lacking.copy(), np.full((5, 320), -90.0)
    top = int(np.argmin(np.abs(grid_hz - 1000.0)))
    complete[1, top] = -49.0
    assert standing_db(mode, grid_hz, complete, lacking, floors) == pytest.approx(11.0)
    floors[1] = -56.0
    assert standing_db(mode, grid_hz, complete, lacking, floors) == pytest.approx(7.0)
    lacking[1, top] = -52.0
    assert standing_db(mode, grid_hz, complete, lacking, floors) == pytest.approx(3.0)


def _mode(frequency_hz: float, kind: str = "radiated", group: int = 0) -> dict[str, object]:
    return {
        "frequency_hz": frequency_hz, "q": 20.0, "kind": kind, "family": "pair", "place": "port",
        "group": group, "lift_db": 9.0,
    }  # fmt: skip


def _call(
    frequency_hz: float, kind: str = "radiated", confidence: float = 0.8
) -> dict[str, object]:
    return {"frequency_hz": frequency_hz, "kind": kind, "confidence": confidence}


def test_score_counts_pairs_neighbours_kinds_and_what_is_not_eligible() -> None:
    pair, lone = [_mode(1000.0), _mode(1060.0)], _mode(400.0, "excited", 1)
    score = RoomScore()
    score.add(1, [*pair, lone], [9.0, 9.0, 3.0], [_call(1030.0), _call(402.0, "excited")])
    assert (score.kinds["radiated"].found, score.kinds["radiated"].false) == (2, 0)
    assert (score.kinds["excited"].eligible, score.kinds["excited"].false) == (0, 0)
    score = RoomScore()
    score.add(1, [*pair, lone], [9.0, 9.0, 8.0], [_call(1001.0), _call(401.0), _call(700.0)])
    assert score.kinds["radiated"].found == 1  # 6 % apart: one is not the other
    assert score.kinds["radiated"].false == 2
    assert score.kinds["radiated"].other_kind == 1
    assert score.kinds["excited"].as_other == 1
    score = RoomScore()
    score.add(
        1, [_mode(1000.0), _mode(1030.0)], [9.0, 9.0], [_call(995.0), _call(500.0, "radiated", 0.4)]
    )
    assert (score.kinds["radiated"].found, score.kinds["radiated"].false) == (2, 0)
    assert score.kinds["radiated"].real == [True, False]
