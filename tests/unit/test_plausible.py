"""What no microphone in air can hear is refused; near fields and anechoic rooms pass."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from capture_bench import (
    RATE_HZ,
    FakeBench,
    calibrated_session,
    run_capture,
)

from distsweep.capture.belief import believe
from distsweep.capture.plausible import (
    check_correction,
    check_full_scale,
    check_reference,
    is_wired,
)
from distsweep.capture.response import measure_gain, measure_response
from distsweep.errors import SafetyRefusal
from distsweep.stimulus.sweep import design_sweep
from distsweep.takes.correction import MicCorrection, no_correction

SWEEP = design_sweep(rate_hz=RATE_HZ, band_hz=(40.0, 16000.0), sweep_s=3.0)


def loudest_dbfs(bench: FakeBench) -> float:
    return 20 * np.log10(max(bench.loudest, 1e-12))


# ── levels ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("full_db", "passes"), [(89.9, False), (90.1, True), (159.9, True), (160.1, False)]
)
def test_full_scale_lies_where_microphones_put_it(full_db: float, passes: bool) -> None:
    belief = believe(full_db, method="calibrator")
    if passes:
        check_full_scale(belief)
    else:
        with pytest.raises(SafetyRefusal, match="calibrate again"):
            check_full_scale(belief)


@pytest.mark.parametrize("full_db", [-86.0, 60.0, 170.0])
def test_an_impossible_full_scale_is_refused_before_anything_sounds(
    full_db: float, sidecar: Path, tmp_path: Path
) -> None:
    """−86 dB SPL is ``pascal_per_fs = 1e-9``."""
    bench = FakeBench()
    ran = run_capture(bench, calibrated_session(tmp_path / "s", full_db), sidecar)
    assert ran.exit_code == 4 and "full scale is" in ran.stderr
    assert bench.exchanges == 0


@pytest.mark.parametrize(("noise_dbfs", "code"), [(-112.0, 4), (-108.0, 0)])
def test_a_background_below_5_db_spl_is_refused_after_the_first_probe(
    noise_dbfs: float, code: int, sidecar: Path, tmp_path: Path
) -> None:
    """Full scale is 115 dB SPL: the backgrounds are 3 and 7 dB SPL."""
    bench = FakeBench(noise_dbfs=noise_dbfs)
    session = calibrated_session(tmp_path / "s", 115.0)
    ran = run_capture(bench, session, sidecar, "--levels-spl", "60")
    assert ran.exit_code == code, ran.stderr
    if code:
        assert "background is 3 dB SPL" in ran.stderr and "check that" in ran.stderr
        assert bench.exchanges == 1 and loudest_dbfs(bench) <= -60.0 + 1e-6


def test_noise_suppression_is_told_by_the_silence_it_makes(sidecar: Path, tmp_path: Path) -> None:
    def gated(_number: int, _count: int, heard: np.ndarray) -> np.ndarray:
        return heard if np.max(np.abs(heard)) > 1e-4 else np.zeros_like(heard)

    bench = FakeBench(fault=gated)
    ran = run_capture(bench, calibrated_session(tmp_path / "s", None), sidecar)
    assert ran.exit_code == 4 and "noise suppression" in ran.stderr
    assert bench.exchanges == 1


def test_a_correction_of_40_db_is_refused(sidecar: Path, tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s", 120.0)
    (session / "mic.txt").write_text("20 0\n1000 40\n20000 40\n")
    with (session / "session.toml").open("a") as file:
        file.write('mic_correction = "mic.txt"\n')
    bench = FakeBench()
    ran = run_capture(bench, session, sidecar, "--levels-spl", "60")
    assert ran.exit_code == 4 and "+40.0 dB at 1000 Hz" in ran.stderr
    assert bench.exchanges == 0
    check_correction(MicCorrection(np.array([20.0, 20000.0]), np.array([3.0, -12.0])))


# ── air ────────────────────────────────────────────────────────────────────────────────────


class Wired(FakeBench):
    """The output is wired to the input: no echo, no loudspeaker."""

    def _speak(self, x: np.ndarray) -> np.ndarray:
        return 10 ** (self.gain_db / 20) * x


@pytest.mark.parametrize("gain_db", [0.0, -20.0, -40.0])
def test_an_attenuated_loop_back_is_no_microphone(
    gain_db: float, sidecar: Path, tmp_path: Path
) -> None:
    bench = Wired(gain_db=gain_db, noise_dbfs=-115.0)
    ran = run_capture(bench, calibrated_session(tmp_path / "s", 125.0), sidecar)
    assert ran.exit_code == 4 and "no loudspeaker and no air" in ran.stderr, ran.stderr
    assert loudest_dbfs(bench) <= -50.0 + 1e-3


def test_a_microphone_channel_without_delay_against_the_reference_is_refused(
    sidecar: Path, tmp_path: Path
) -> None:
    class Both(FakeBench):
        def _exchange(self, route, conversation, tick, chunks):
            hear = conversation.hear

            def doubled(block, *, dropped):
                block[:, 1] = block[:, 0]
                return hear(block, dropped=dropped)

            conversation.hear = doubled
            super()._exchange(route, conversation, tick, chunks)

    bench = Both()
    session = calibrated_session(tmp_path / "s", 120.0)
    ran = run_capture(bench, session, sidecar, "--loopback-channel", "2", "--levels-spl", "60")
    assert ran.exit_code == 4 and "no later than the loop-back" in ran.stderr, ran.stderr
    check_reference(1)


def response_of(air: Callable[[np.ndarray], np.ndarray], rng: np.random.Generator):
    wave = 10 ** (-50 / 20) * SWEEP.waveform()
    heard = air(np.concatenate([np.zeros(480), wave, np.zeros(14400)]))
    heard = heard + 1e-6 * rng.standard_normal(len(heard))
    response = measure_response(heard, 1e-6 * rng.standard_normal(33600), wave, rate_hz=RATE_HZ)
    gain = measure_gain(
        response,
        swept_hz=(SWEEP.full_from_hz, SWEEP.full_to_hz),
        level_band_hz=(300.0, 3000.0),
        correction_db=no_correction,
        drive_ratio=np.ones_like,
    )
    return response, gain


def woofer(x: np.ndarray) -> np.ndarray:
    """A woofer's near field in an anechoic room: a tuned box at 55 Hz, gone above 3 kHz."""
    sos = scipy.signal.butter(4, 55.0, "highpass", fs=RATE_HZ, output="sos")
    sos = np.vstack([sos, scipy.signal.butter(2, 3000.0, fs=RATE_HZ, output="sos")])
    return scipy.signal.sosfilt(sos, x)


def tweeter(x: np.ndarray) -> np.ndarray:
    """A tweeter's near field."""
    return scipy.signal.sosfilt(
        scipy.signal.butter(4, 2000.0, "highpass", fs=RATE_HZ, output="sos"), x
    )


def equalised(x: np.ndarray) -> np.ndarray:
    """A loudspeaker that an equaliser holds flat within ±0.8 dB from 35 Hz on, without a room."""
    y = scipy.signal.sosfilt(scipy.signal.butter(2, 35.0, "highpass", fs=RATE_HZ, output="sos"), x)
    return y + 0.09 * np.concatenate([np.zeros(20), y[:-20]])


def cable(x: np.ndarray) -> np.ndarray:
    """A cable between couplings of 5 Hz, and a filter of 22 kHz."""
    sos = scipy.signal.butter(1, 5.0, "highpass", fs=RATE_HZ, output="sos")
    sos = np.vstack([sos, scipy.signal.cheby1(6, 0.05, 22000.0, fs=RATE_HZ, output="sos")])
    return 0.1 * scipy.signal.sosfilt(sos, x)


@pytest.mark.parametrize(
    ("air", "wired"), [(cable, True), (woofer, False), (tweeter, False), (equalised, False)]
)
def test_near_fields_and_anechoic_rooms_are_air(
    air: Callable[[np.ndarray], np.ndarray], wired: bool, rng: np.random.Generator
) -> None:
    assert is_wired(*response_of(air, rng)) is wired
