"""A gain that moves while a rung is recorded: noticed in the analysis and in the capture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from capture_bench import (
    RATE_HZ,
    SHORT_RECIPE,
    FakeBench,
    calibrated_session,
    log_events,
    run_capture,
    run_main,
)
from conftest import draws, long
from numpy.typing import NDArray
from staircase_bench import analysed

import distsweep
from distsweep.analysis.sweep.gain_step import find_step
from distsweep.stimulus.layout import lay_out, render
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.stimulus.write import write_stimulus
from distsweep.takes.gain_moved import MarkerChange, marker_change
from distsweep.takes.placement import place_stimulus
from distsweep.takes.recording import Recording
from distsweep.words.warnings import marker_heard

# ── the markers ────────────────────────────────────────────────────────────────────────────

BENCH = lay_out(
    parse_recipe({**SHORT_RECIPE, "band_hz": [100, 12000], "levels_dbfs": [-40]}, "test"),
    split=True,
)


def room(rng: np.random.Generator) -> NDArray:
    """A box (fourth-order high-pass), reflections and a tail of up to the direct sound's level."""
    tail = rng.standard_normal(RATE_HZ // 2)
    tail *= 10.0 ** (-3.0 * np.arange(len(tail)) / RATE_HZ / rng.uniform(0.2, 0.6))
    tail *= rng.uniform(0.0, 1.0) / np.sqrt(np.sum(tail**2))
    tail[:100] = 0.0
    tail[0] = 1.0
    high = scipy.signal.butter(4, rng.uniform(60.0, 200.0), "highpass", fs=RATE_HZ, output="sos")
    return np.asarray(scipy.signal.sosfilt(high, tail))


def marker_part(stimulus: LadderStimulus, recorded: NDArray, delay: int) -> NDArray:
    first = stimulus.files[0].start_marker_sample + delay
    return recorded[first : first + stimulus.marker.samples]


def heard_markers(
    seed: int, change_db: float, noise_db: float
) -> tuple[MarkerChange | None, NDArray]:
    """A rung whose gain steps at a random moment of its sweep; noise re the start marker."""
    rng = np.random.default_rng(seed)
    file = BENCH.files[0]
    delay = int(rng.integers(500, 20000))
    wave = np.concatenate([np.zeros(delay), render(BENCH, file), np.zeros(RATE_HZ // 3)])
    heard = scipy.signal.fftconvolve(wave, room(rng))[: len(wave)]
    noise = rng.standard_normal(len(wave))
    if seed % 2:  # a room's: most of it at low frequencies
        low = scipy.signal.butter(1, 100.0, fs=RATE_HZ, output="sos")
        noise = scipy.signal.sosfilt(low, noise)
    level = np.sqrt(np.mean(marker_part(BENCH, heard, delay) ** 2) / np.mean(noise**2))
    heard = heard + 10.0 ** (noise_db / 20.0) * level * noise
    at = delay + file.rungs[0].start_sample + round(rng.uniform(0.0, 0.6) * RATE_HZ)
    heard[at:] *= 10.0 ** (change_db / 20.0)
    recording = Recording(Path("a.wav"), heard, RATE_HZ, np.zeros(0, dtype=np.int64), 0.0, 1.0)
    placement = place_stimulus(recording, marker=BENCH.marker, file=file)
    return marker_change(recording, marker=BENCH.marker, file=file, placement=placement), heard


@pytest.mark.parametrize("noise_db", [-50.0, -30.0, -10.0])
def test_the_change_is_right_within_its_own_doubt(noise_db: float) -> None:
    """Random rooms, noises and changes; 10 dB under the marker the doubt is still below 1 dB."""
    for seed in range(draws(24, 8)):
        true_db = float(np.random.default_rng(1000 + seed).choice([0.0, -10.0, 1.5, -2.0, 6.0]))
        found, _ = heard_markers(seed, true_db, noise_db)
        assert found is not None
        assert abs(found.change_db - true_db) <= found.doubt_db + 0.02  # sampling of the peak
        assert found.doubt_db < {-50.0: 0.2, -30.0: 0.3, -10.0: 1.0}[noise_db]


def test_a_gain_that_stands_still_is_not_called_moved() -> None:
    for seed in range(40):
        found, _ = heard_markers(seed, 0.0, float(np.random.default_rng(seed).uniform(-50, 5)))
        assert found is None or found.sure_db < 1.0


def test_the_background_tells_that_it_is_the_inputs_gain() -> None:
    """In a room that is dead by then; where the loudspeaker was moved the background stays."""
    moved = [heard_markers(seed, -10.0, -20.0)[0] for seed in range(8)]
    assert all(one is not None and one.with_background for one in moved)
    assert "gain at the input was moved" in said(moved[0])


def said(change: MarkerChange) -> str:
    return marker_heard("rung 3", change_db=change.change_db, cause=change.cause)


def test_the_words_claim_no_more_than_is_known() -> None:
    softer = said(MarkerChange("a.wav", -2.0, 0.1, with_background=False))
    assert "2.0 dB softer" in softer and "or its voice coil is hot" in softer
    assert "voice coil" not in said(MarkerChange("a.wav", -9.0, 0.1, False))
    louder = said(MarkerChange("a.wav", 2.0, 0.1, False))
    assert "2.0 dB louder" in louder and "voice coil" not in louder


# ── the step inside a sweep ────────────────────────────────────────────────────────────────


def test_a_step_is_found_where_it_is(rng: np.random.Generator) -> None:
    for place in (10, 60, 110):
        curve = np.where(np.arange(120) < place, 0.0, -4.0) + 0.4 * rng.standard_normal(120)
        curve[rng.integers(0, 120, 20)] = np.nan
        found = find_step(curve, -4.0)
        assert found is not None and abs(found - place) <= 2


def test_what_is_no_step_is_not_called_one(rng: np.random.Generator) -> None:
    noise = 0.2 * rng.standard_normal(120)
    assert find_step(noise, -4.0) is None  # it stepped after the sweep
    assert find_step(noise - 4.0, -4.0) is None  # before
    assert find_step(np.linspace(0.0, -4.0, 120) + noise, -4.0) is None  # a slope
    assert find_step(np.full(120, np.nan), -4.0) is None


# ── in the analysis ────────────────────────────────────────────────────────────────────────


def recorded_ladder(
    folder: Path, *, split: bool, step_db: float, rung: int, at_s: float, **recipe: object
) -> tuple[list[Path], Path]:
    """Record a ladder; within one rung's sweep (0, 1, …) the recorder's gain steps, for good.

    The files of a split ladder are recorded one by one: the gain is set back before the next.
    """
    folder.mkdir()
    made = {**SHORT_RECIPE, "levels_dbfs": [-40, -30, -20], **recipe}
    _, written = write_stimulus(parse_recipe(made, "test"), folder, split=split)
    stimulus = distsweep.stimulus.sidecar.read_sidecar(written[-1])
    rng = np.random.default_rng(3)
    paths = []
    for number, file in enumerate(stimulus.files):
        wave = np.concatenate([np.zeros(2000), 0.3 * render(stimulus, file), np.zeros(9600)])
        wave += 1e-5 * rng.standard_normal(len(wave))
        inside = 0 if split else rung
        if not split or number == rung:
            at = 2000 + file.rungs[inside].start_sample + round(at_s * RATE_HZ)
            wave[at:] *= 10.0 ** (step_db / 20.0)
        path = folder / f"rec-{number}.wav"
        soundfile.write(path, wave, RATE_HZ, subtype="FLOAT")
        paths.append(path)
    return paths, written[-1]


@pytest.mark.parametrize(
    ("step_db", "rung"), [(-10.0, 1), long(-10.0, 0), long(-1.5, 2), (1.5, 0), (4.0, 2)]
)
@pytest.mark.parametrize("split", [True, False])
def test_a_gain_that_moved_within_a_sweep_is_named_and_put_right(
    tmp_path: Path, step_db: float, rung: int, split: bool
) -> None:
    """At 0.35 s the sweep passes 1.3 kHz (80 Hz at its start, 9.6 kHz after 0.6 s)."""
    given = recorded_ladder(tmp_path / "s", split=split, step_db=step_db, rung=rung, at_s=0.35)
    results = distsweep.analyse_recording(given[0], stimulus=given[1])
    take = results.takes[0]
    (step,) = take.damage
    assert (step.kind, step.rung) == ("gain_step", rung)
    assert step.change_db == pytest.approx(step_db, abs=0.05)
    assert step.low_hz is not None and step.high_hz is not None
    assert 1250.0 < step.low_hz < step.high_hz < 1400.0
    assert not [warning for warning in results.warnings if warning.code == "gain_moved"]
    assert take.compression is not None
    assert np.nanmax(np.abs(take.compression.gain_change_db)) < 0.2


@pytest.mark.parametrize("step_db", [-10.0, -2.0, 0.7, 5.0])
def test_a_gain_that_moved_in_a_pause_is_put_right_too(tmp_path: Path, step_db: float) -> None:
    """The hiss moves with it: no hot coil does that."""
    given = recorded_ladder(tmp_path / "s", split=False, step_db=step_db, rung=1, at_s=-0.2)
    take = distsweep.analyse_recording(given[0], stimulus=given[1]).takes[0]
    (step,) = take.damage
    assert (step.kind, step.rung, step.low_hz) == ("gain_step", None, None)
    assert take.compression is not None
    assert np.nanmax(np.abs(take.compression.gain_change_db)) < 0.2


@pytest.mark.parametrize("split", [True, False])
def test_a_gain_that_stays_is_not_warned_of(tmp_path: Path, split: bool) -> None:
    given = recorded_ladder(tmp_path / "s", split=split, step_db=0.0, rung=1, at_s=0.3)
    results = distsweep.analyse_recording(given[0], stimulus=given[1])
    assert not [warning for warning in results.warnings if warning.code == "gain_moved"]
    assert not results.takes[0].damage


def test_a_single_sweep_has_no_neighbour_and_is_warned_of(tmp_path: Path) -> None:
    given = recorded_ladder(
        tmp_path / "s", split=False, step_db=-10.0, rung=0, at_s=0.3, levels_dbfs=[-30]
    )
    results = distsweep.analyse_recording(given[0], stimulus=given[1])
    (warning,) = [warning for warning in results.warnings if warning.code == "gain_moved"]
    assert "10.0 dB softer" in warning.message and "so is the background" in warning.message


def test_the_repeated_first_rung_is_looked_at_too(tmp_path: Path) -> None:
    given = recorded_ladder(
        tmp_path / "s", split=True, step_db=-3.0, rung=3, at_s=0.3, return_rung=True
    )
    take = distsweep.analyse_recording(given[0], stimulus=given[1]).takes[0]
    (step,) = take.damage
    assert step.kind == "gain_step" and step.rung is None
    assert take.return_check_db == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("step_db", "said"), [(0.0, False), (-2.0, True)])
def test_a_staircase_is_looked_at_too(tmp_path: Path, step_db: float, said: bool) -> None:
    def chain(x: NDArray) -> NDArray:
        moved = np.arange(len(x)) > 0.6 * len(x)
        noise = 1e-6 * np.random.default_rng(4).standard_normal(len(x))
        return np.where(moved, 10.0 ** (step_db / 20.0), 1.0) * (0.3 * x + noise)

    results = analysed(tmp_path, chain, levels_dbfs={"from": -30, "to": -10, "step": 10})
    found = [warning for warning in results.warnings if warning.code == "gain_moved"]
    assert bool(found) == said
    if said:
        assert "the bursts of take.wav" in found[0].message and "2.0 dB softer" in found[0].message


# ── in the capture ─────────────────────────────────────────────────────────────────────────

SWEEP_AT = round((0.25 + 0.4 + 0.5 + 0.7) * RATE_HZ)
LEVELS = ("--levels-spl", "72 and 82", "--accept-level", "85")
FIRST_RUNG = 2
"""One probe will do on this bench: the first rung is the second exchange."""


def stepping(exchange: int, step_db: float, *, back_s: float | None = None):
    """Let the input's gain step 0.4 s into the sweep, and perhaps back later."""
    at = SWEEP_AT + round(0.4 * RATE_HZ)
    end = np.inf if back_s is None else at + back_s * RATE_HZ
    factor = 10.0 ** (step_db / 20.0)

    def fault(number: int, count: int, heard: NDArray) -> NDArray:
        samples = count + np.arange(len(heard))
        moved = (samples >= at) & (samples < end) & (number == exchange)
        return np.where(moved, factor * heard, heard)

    return fault


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return calibrated_session(tmp_path / "session", 135.0)


@pytest.mark.parametrize("step_db", [long(-5.0), 4.5])
def test_over_3_db_the_ladder_ends_and_what_was_recorded_is_kept(
    session: Path, sidecar: Path, step_db: float
) -> None:
    bench = FakeBench(fault=stepping(FIRST_RUNG, step_db))
    ran = run_capture(bench, session, sidecar, *LEVELS)
    assert ran.exit_code == 4, ran.stderr
    assert f"{abs(step_db):.1f} dB" in ran.stderr and "marker after rung 1" in ran.stderr
    assert bench.exchanges == FIRST_RUNG
    assert (session / "axis-01.wav").exists()
    assert "partial = true" in (session / "session.toml").read_text()
    assert run_main("analyse", str(session), "--no-report", "--json", "-").exit_code == 0


def test_10_db_down_in_the_second_of_three_rungs_ends_the_ladder(
    session: Path, sidecar: Path
) -> None:
    """The rung is 10 dB louder than the one before: its level alone may not stop it."""
    bench = FakeBench(fault=stepping(FIRST_RUNG + 1, -10.0))
    options = ("--levels-spl", "62 and 72 and 82", "--accept-level", "85")
    ran = run_capture(bench, session, sidecar, *options)
    assert ran.exit_code == 4, ran.stderr
    assert "marker after rung 2" in ran.stderr and "10.0 dB softer" in ran.stderr
    assert "s into the sweep" in ran.stderr
    assert [e["number"] for e in log_events(session) if e["event"] == "gain moved"] == [2]


def test_from_1_to_3_db_it_is_said(session: Path, sidecar: Path) -> None:
    ran = run_capture(FakeBench(fault=stepping(FIRST_RUNG, -2.0)), session, sidecar, *LEVELS)
    assert ran.exit_code == 0, ran.stderr
    assert "warning: the marker after rung 1 is heard 2.0 dB softer" in ran.stderr
    assert "voice coil is hot" in ran.stderr


@pytest.mark.parametrize("step_db", [long(0.0), 0.7])
def test_below_1_db_nothing_is_said(session: Path, sidecar: Path, step_db: float) -> None:
    ran = run_capture(FakeBench(fault=stepping(FIRST_RUNG, step_db)), session, sidecar, *LEVELS)
    assert ran.exit_code == 0
    assert "marker after" not in ran.stderr
