"""What a recorder does to level and waveform: named, and its effect taken off or told."""

from __future__ import annotations

import numpy as np
import pytest
from closed_form import Branch, cascade, harmonic_amplitudes, high_pass, low_pass, peak, play
from conftest import RATE_HZ, Bench, ladder_recipe

from distsweep.results import Take

BENT = [
    Branch(high_pass(60, 0.9), (1.0, 0.03, -0.05), cascade(peak(900, 5, 5), low_pass(15000))),
]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    recipe = ladder_recipe(levels_dbfs=[-30, -24, -18, -12], sweep_s=2.0)
    return Bench(tmp_path_factory.mktemp("faults"), recipe)


@pytest.fixture(scope="module")
def heard(bench: Bench) -> np.ndarray:
    """What is recorded, peaking at 0.3, in noise 75 dB below that."""
    sound = play(BENT, bench.waveform, RATE_HZ)
    noise = np.random.default_rng(16).standard_normal(len(sound))
    return np.asarray(0.3 * sound / np.max(np.abs(sound)) + 0.3 * 10 ** (-75 / 20) * noise)


@pytest.fixture(scope="module")
def unharmed(bench: Bench, heard: np.ndarray) -> Take:
    return analysed(bench, heard)


def analysed(bench: Bench, sound: np.ndarray) -> Take:
    return bench.analyse(sound, subtype="FLOAT").takes[0]


def moment(bench: Bench, rung: int, frequency_hz: float) -> int:
    """Return the sample at which a rung's sweep passes a frequency."""
    after_s = float(bench.stimulus.sweep.time_of_s(frequency_hz))
    return bench.stimulus.files[0].rungs[rung].start_sample + round(after_s * RATE_HZ)


def worst_error_db(take: Take) -> float:
    """Return the largest error of reliable harmonics above −60 dB."""
    errors = [0.0]
    for rung in take.rungs:
        drive = 10 ** (rung.drive_dbfs / 20)
        truth = harmonic_amplitudes(BENT, take.frequency_hz, drive, 5)
        for order, curve in rung.harmonics.items():
            with np.errstate(divide="ignore"):
                true_db = 20 * np.log10(truth[order - 1] / truth[0])
            kept = curve.reliable & (true_db > -60)
            errors += list(np.abs(curve.level_db - true_db)[kept])
    return max(errors)


def moved_db(take: Take, unharmed: Take) -> float:
    """Return the largest change of a harmonic that is reliable in both."""
    changes = [0.0]
    for rung, other in zip(take.rungs, unharmed.rungs, strict=True):
        for order, curve in rung.harmonics.items():
            kept = curve.reliable & other.harmonics[order].reliable
            changes += list(np.abs(curve.level_db - other.harmonics[order].level_db)[kept])
    return max(changes)


def test_nothing_is_named_where_nothing_happened(unharmed: Take) -> None:
    assert unharmed.damage == []


# ── automatic gain ─────────────────────────────────────────────────────────────────────────


def levelled(sound: np.ndarray, *, threshold: float, ratio: float, release_s: float) -> np.ndarray:
    """An automatic gain of 20 ms attack that turns all down, noise included."""
    step = RATE_HZ // 1000
    peaks = np.max(np.abs(sound[: len(sound) // step * step]).reshape(-1, step), axis=1)
    gains, level = np.ones(len(peaks)), 0.0
    for i, peak_now in enumerate(peaks.tolist()):
        keep = np.exp(-1e-3 / (0.02 if peak_now > level else release_s))
        level = keep * level + (1.0 - keep) * peak_now
        gains[i] = min(1.0, (max(level, 1e-12) / threshold) ** (1.0 / ratio - 1.0))
    return sound * np.interp(np.arange(len(sound)), step * np.arange(len(gains)), gains)


@pytest.mark.parametrize(("ratio", "release_s"), [(2.0, 0.3), (6.0, 1.0)])
def test_an_automatic_gain_is_no_limiter(
    bench: Bench, heard: np.ndarray, ratio: float, release_s: float
) -> None:
    take = analysed(bench, levelled(heard, threshold=0.06, ratio=ratio, release_s=release_s))
    assert [one.kind for one in take.damage] == ["automatic_gain"]
    assert take.limiters == []
    assert take.compression is not None
    assert np.all(np.isnan(take.compression.gain_change_db))
    assert all(np.all(np.isnan(rung.fundamental_low_db)) for rung in take.rungs)
    assert worst_error_db(take) < 1.5


def test_a_loudspeakers_limiter_stays_one(bench: Bench, heard: np.ndarray) -> None:
    """The same gain in front of the noise: the background stays."""
    noise = 0.3 * 10 ** (-75 / 20) * np.random.default_rng(3).standard_normal(len(heard))
    limited = levelled(bench.waveform, threshold=0.06, ratio=6.0, release_s=0.1)
    sound = play(BENT, limited, RATE_HZ)
    take = analysed(bench, 0.3 * sound / np.max(np.abs(sound)) + noise)
    assert take.damage == []
    assert any(one.kind in ("limiter", "limiting", "compressor") for one in take.limiters)


# ── flat tops ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("below_db", [0.5, 3.0])
@pytest.mark.parametrize("after", ["dither", "gain", "one side"])
def test_a_recorders_clip_is_named_and_excluded(
    bench: Bench, heard: np.ndarray, unharmed: Take, below_db: float, after: str
) -> None:
    limit = np.max(heard) * 10 ** (-below_db / 20)
    clipped = np.clip(heard, -1.0 if after == "one side" else -limit, limit)
    if after == "gain":
        clipped *= 0.37
    clipped += limit * 2.0**-16 * np.random.default_rng(5).uniform(-1.0, 1.0, len(heard))
    take = analysed(bench, clipped)
    assert {one.kind for one in take.damage} == {"clipped"}
    assert {one.rung for one in take.damage} == {3}
    assert take.rungs[3].clipped
    assert moved_db(take, unharmed) < 0.3


def test_a_click_that_is_clipped_is_a_click(bench: Bench, heard: np.ndarray) -> None:
    """The sweep stays far below full scale; a click of half a dozen samples goes past it."""
    at = moment(bench, 2, 500.0)
    clicked = heard.copy()
    clicked[at : at + 6] += 3.0
    take = bench.analyse(np.clip(clicked, -1.0, 1.0 - 2.0**-15), subtype="PCM_16").takes[0]
    assert [(one.kind, one.rung) for one in take.damage] == [("click", 2)]
    assert take.rungs[2].clipped


def test_a_clip_at_full_scale_is_no_click(bench: Bench, heard: np.ndarray) -> None:
    """Driven past full scale by 1.6 dB: the warning of clipping says it, and nothing else does."""
    driven = np.clip(4.0 * heard, -1.0, 1.0 - 2.0**-15)
    take = bench.analyse(driven, subtype="PCM_16").takes[0]
    assert [rung.clipped for rung in take.rungs] == [False, False, False, True]
    assert take.damage == []


def test_an_amplifiers_clip_is_not_the_recorders(bench: Bench) -> None:
    """It is heard through the loudspeaker's response, which spreads its tops."""
    clipped = np.clip(bench.waveform, -0.18, 0.18)
    sound = play(BENT, clipped, RATE_HZ)
    noise = 0.3 * 10 ** (-75 / 20) * np.random.default_rng(6).standard_normal(len(sound))
    assert analysed(bench, 0.3 * sound / np.max(np.abs(sound)) + noise).damage == []


# ── steps of the zero line ─────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("size", "at_hz", "decay_s"), [(0.002, 150.0, np.inf), (0.05, 1500.0, np.inf), (0.02, 400, 0.1)]
)
def test_a_step_of_the_zero_line_is_taken_off(
    bench: Bench, heard: np.ndarray, unharmed: Take, size: float, at_hz: float, decay_s: float
) -> None:
    at = moment(bench, 2, at_hz)
    stepped = heard.copy()
    stepped[at:] += 0.3 * size * np.exp(-np.arange(len(heard) - at) / RATE_HZ / decay_s)
    take = analysed(bench, stepped)
    (step,) = take.damage
    assert (step.kind, step.rung, step.bridged) == ("dc_step", 2, True)
    assert step.start_s == pytest.approx(at / RATE_HZ, abs=0.001)
    assert step.low_hz is not None and step.high_hz is not None
    assert step.low_hz < at_hz < step.high_hz
    assert moved_db(take, unharmed) < 0.3


def test_a_knock_is_no_step_of_the_zero_line(bench: Bench, heard: np.ndarray) -> None:
    at, time_s = moment(bench, 2, 500.0), np.arange(RATE_HZ // 5) / RATE_HZ
    knocked = heard.copy()
    knock = 0.1 * np.sin(2 * np.pi * 70 * time_s) * np.exp(-time_s / 0.03)
    knocked[at : at + len(knock)] += knock
    assert not {"dc_step", "gain_step"} & {one.kind for one in analysed(bench, knocked).damage}
