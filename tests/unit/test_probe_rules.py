"""Probes, delays, and levels that change while somebody reads, through whole command lines."""

from __future__ import annotations

import io
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
import scipy.signal
from capture_bench import (
    BLOCK,
    RATE_HZ,
    FakeBench,
    calibrated_session,
    log_events,
    run_capture,
    write_short_stimulus,
)
from conftest import long

from distsweep.capture import devices

SWEEP_AT = round((0.25 + 0.4 + 0.5 + 0.7) * RATE_HZ)


def loudest_dbfs(bench: FakeBench) -> float:
    return 20 * np.log10(max(bench.loudest, 1e-12))


# ── how loud a probe may be ────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("full_db", "changes", "options", "highest_dbfs"),
    [
        # Nothing is known: full scale may be 130 dB SPL, so that −60 dBFS may be 70.
        (None, {}, (), -60.0),
        (120.0, {"method": "unknown"}, (), -60.0),
        (None, {}, ("--ceiling-spl", "60"), -70.0),
        # The bench gives 110 dB SPL at 0 dBFS, 1.6 more at its loudest, and the calibrator leaves
        # 1 dB open: 70 are reached by −42.6 dBFS, 60 by −52.6; a data sheet leaves 10 dB open.
        (120.0, {}, ("--levels-spl", "90"), -42.6),
        (120.0, {}, ("--levels-dbfs=-30", "--ceiling-spl", "60"), -52.6),
        (120.0, {"method": "data sheet"}, ("--levels-spl", "90"), -51.6),
    ],
    ids=["uncalibrated", "unknown origin", "low ceiling", "calibrator", "ceiling 60", "data sheet"],
)
def test_probes_stay_below_70_db_spl_at_worst_until_somebody_confirms(
    full_db: float | None,
    changes: dict,
    options: tuple[str, ...],
    highest_dbfs: float,
    sidecar: Path,
    tmp_path: Path,
) -> None:
    bench = FakeBench()
    session = calibrated_session(tmp_path / "s", full_db, **changes)
    ran = run_capture(bench, session, sidecar, *options)
    assert ran.exit_code == 4, ran.stderr
    # The quieter probe that it rests on was read in noise, which counts to the loud side.
    assert highest_dbfs - 0.6 <= loudest_dbfs(bench) <= highest_dbfs + 0.1


def test_a_quiet_loudspeaker_is_probed_louder_once_somebody_has_vouched(
    sidecar: Path, tmp_path: Path
) -> None:
    """At −60 dBFS the bench is 10 dB under its noise; uncalibrated, −45 dBFS are 85 at worst."""
    changes = {"gain_db": -25.0, "noise_dbfs": -75.0}
    for typed, loudest in (("", -45.0), (None, -60.0)):
        bench = FakeBench(**changes)
        session = calibrated_session(tmp_path / str(typed), None)
        ran = run_capture(bench, session, sidecar, "--levels-dbfs=-20", typed=typed)
        assert ran.exit_code == 4, ran.stderr
        assert loudest_dbfs(bench) == pytest.approx(loudest, abs=0.01)


def test_a_loud_first_probe_is_repeated_softer(sidecar: Path, tmp_path: Path) -> None:
    """By a data sheet −60 dBFS are 72 dB SPL at worst: a probe 10 dB softer is not too loud."""
    bench = FakeBench(gain_db=10.0)
    session = calibrated_session(tmp_path / "s", 112.0, method="data sheet")
    ran = run_capture(bench, session, sidecar, "--levels-spl", "55")
    assert ran.exit_code == 0, ran.stderr
    assert "repeated 10 dB softer" in ran.stderr


# ── delays ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("delay_s", [0.4, 3.0, *(long(s) for s in (0.0, 2.0))])
def test_a_network_delay_is_followed_not_mistaken(
    delay_s: float, sidecar: Path, tmp_path: Path
) -> None:
    bench = FakeBench(delay=600 + round(delay_s * RATE_HZ))
    session = calibrated_session(tmp_path / "s", 120.0)
    ran = run_capture(bench, session, sidecar, "--levels-spl", "62 and 68")
    assert ran.exit_code == 0, ran.stderr
    delays = [e["delay_samples"] for e in log_events(session) if e["event"] == "recorded"]
    # The bench's input starts a block before its output.
    assert np.allclose(delays, 600 + round(delay_s * RATE_HZ) + BLOCK, atol=2)


def test_a_marker_at_another_delay_is_not_accepted(sidecar: Path, tmp_path: Path) -> None:
    """The rung comes back 0.5 s later than the probe did: the sweep does not start unjudged."""
    late = np.zeros(RATE_HZ // 2)

    def delayed(number: int, count: int, heard: np.ndarray) -> np.ndarray:
        nonlocal late
        if number < 4:
            return heard
        line = np.concatenate([late, heard])
        late = line[len(heard) :]
        return line[: len(heard)] + 1e-6 * np.random.default_rng(count).standard_normal(BLOCK)

    bench = FakeBench(fault=delayed)
    session = calibrated_session(tmp_path / "s", 120.0)
    ran = run_capture(bench, session, sidecar, "--levels-spl", "80", "--accept-level", "90")
    assert ran.exit_code == 5 and "marker" in ran.stderr, ran.stderr
    assert int(np.flatnonzero(bench.sent[-1])[-1]) <= SWEEP_AT + RATE_HZ // 20


# ── levels that change ─────────────────────────────────────────────────────────────────────


class Resonant(FakeBench):
    """A narrow resonance at 100 Hz: Q 100, 15 dB above the rest."""

    def _speak(self, x: np.ndarray) -> np.ndarray:
        y = super()._speak(x)
        gain, w = 10.0 ** (15.0 / 40.0), 2.0 * np.pi * 100.0 / RATE_HZ
        alpha = np.sin(w) / (2.0 * 100.0 / gain)
        b = np.array([1.0 + alpha * gain, -2.0 * np.cos(w), 1.0 - alpha * gain])
        a = np.array([1.0 + alpha / gain, -2.0 * np.cos(w), 1.0 - alpha / gain])
        if not hasattr(self, "_state"):
            self._state = np.zeros(2)
        y, self._state = scipy.signal.lfilter(b / a[0], a / a[0], y, zi=self._state)
        self.heard = getattr(self, "heard", [])
        self.heard.append(y)
        return y


def test_a_narrow_resonance_counts_in_the_level_that_is_confirmed(tmp_path: Path) -> None:
    """A sweep of 6 s excites it further than the probe of 3 s, which stays under 70 dB SPL."""
    sidecar = write_short_stimulus(
        tmp_path / "stimulus", band_hz=[50, 8000], sweep_s=6.0, levels_dbfs=[-40], pause_s=1.0
    )
    bench = Resonant()
    session = calibrated_session(tmp_path / "s", 120.0)
    options = ("--levels-spl", "70 and 76", "--accept-level", "95")
    ran = run_capture(bench, session, sidecar, *options)
    assert ran.exit_code == 0, ran.stderr
    energy = np.concatenate([[0.0], np.cumsum(np.concatenate(bench.heard) ** 2)])
    window = RATE_HZ // 8
    highest_db = 10 * np.log10(2.0 * np.max(energy[window:] - energy[:-window]) / window) + 120.0
    confirmed = [e for e in log_events(session) if e["event"] == "confirmed"][-1]
    assert highest_db > 76.0 + 1.5  # the resonance is what is loudest
    assert confirmed["nominal_spl_db"] == pytest.approx(highest_db, abs=0.5)
    assert highest_db <= confirmed["spl_limit_db"]


class Turner(io.StringIO):
    """Somebody who turns the volume up while the prompt waits, and says yes to everything."""

    def __init__(self, bench: FakeBench, by_db: float) -> None:
        super().__init__()
        self.bench, self.by_db, self.asked = bench, by_db, 0

    def isatty(self) -> bool:
        return True

    def readline(self, *_more: int) -> str:
        self.asked += 1
        if self.asked == 3:
            self.bench.gain_db += self.by_db
        words = self.err.getvalue().split("Type ")
        return "12 dB" if self.asked == 1 else f"{words[-1].split()[0].strip(':')}\n"


@pytest.mark.parametrize("by_db", [3.0, 15.0, -200.0])
def test_a_volume_that_is_turned_up_at_the_prompt_is_noticed(
    by_db: float, sidecar: Path, tmp_path: Path
) -> None:
    """By 3 dB the level is asked for anew; by 15 dB the probe that follows is too loud; and one
    that is not heard any more ends it.
    """
    bench = FakeBench()
    session = calibrated_session(tmp_path / "s", 120.0)
    stdin = Turner(bench, by_db)
    with (
        mock.patch.object(devices, "open_backend", lambda: bench),
        mock.patch("sys.stdin", stdin),
        mock.patch("sys.stderr", new_callable=io.StringIO) as err,
        mock.patch("sys.stdout", new_callable=io.StringIO),
        mock.patch(
            "sys.argv",
            [
                *("distsweep", "capture", str(session), "--stimulus", str(sidecar)),
                *("--input", "0", "--output", "bench", "--levels-dbfs=-30,-22"),
            ],
        ),
        pytest.raises(SystemExit) as ended,
    ):
        stdin.err = err
        from distsweep.cli import main

        main()
    confirmed = [e["spl_limit_db"] for e in log_events(session) if e["event"] == "confirmed"]
    # 110 + 3 − 22 and 1.6 at the loudest: 92.6; what was confirmed first was 90 to 91.
    true_db = 110.0 + by_db + loudest_dbfs(bench) + 20 * np.log10(1.2)
    if by_db == 3.0:
        assert len(confirmed) == 2 and confirmed[-1] >= confirmed[0] + 3.0
    assert true_db <= max(confirmed) + 0.5 or bench.exchanges <= 6
    if by_db < 0.0:
        assert ended.value.code == 5 and "does not hear the loudspeaker" in err.getvalue()


def test_what_gets_louder_from_rung_to_rung_is_asked_for_anew(
    sidecar: Path, tmp_path: Path
) -> None:
    """Each rung gives 2 dB more than linear: before the third its level is no longer confirmed."""
    first_rung = 4

    def expanding(number: int, _count: int, heard: np.ndarray) -> np.ndarray:
        return heard * 10 ** (2.0 * max(0, number - first_rung + 1) / 20)

    bench = FakeBench(fault=expanding)
    session = calibrated_session(tmp_path / "s", 120.0)
    options = ("--levels-spl", "72 and 79 and 86", "--accept-level", "88")
    ran = run_capture(bench, session, sidecar, *options)
    assert ran.exit_code == 4, ran.stderr
    assert "has to be confirmed" in ran.stderr or "confirmed" in ran.stderr
    assert not list(session.glob("axis-03*"))


class Losing(FakeBench):
    """From the middle of the first probe's sweep on, everything is heard 240 samples later."""

    LATER = 240
    exchange_hit = 1

    def _speak(self, x: np.ndarray) -> np.ndarray:
        y = super()._speak(x)
        if self.exchanges != self.exchange_hit:
            return y
        self.line = np.concatenate([getattr(self, "line", np.zeros(self.LATER)), y])
        played = len(self.line) - self.LATER
        late = played > SWEEP_AT + RATE_HZ // 5
        return self.line[played - len(y) : played] if late else y


@pytest.mark.parametrize("exchange", [long(1), 2])
def test_a_probe_that_lost_samples_is_repeated_and_nothing_is_read_from_it(
    exchange: int, sidecar: Path, tmp_path: Path
) -> None:
    bench = Losing()
    bench.exchange_hit = exchange
    session = calibrated_session(tmp_path / "s", 120.0)
    ran = run_capture(bench, session, sidecar, "--levels-spl", "68")
    assert ran.exit_code == 0, ran.stderr
    found = [e["drive_dbfs"] for e in log_events(session) if e["event"] == "probe"]
    probes = [e for e in log_events(session) if e["event"] == "recorded" and "probe" in e["file"]]
    assert len(probes) == len(found) + 1
    assert "samples" not in ran.stderr or "lost" in ran.stderr
    rung = next(e for e in log_events(session) if e["event"] == "rung")
    assert rung["measured_db"] == pytest.approx(rung["predicted_db"], abs=0.5)


def test_a_loudness_that_comes_and_goes_with_the_drive_ends_the_probing(
    sidecar: Path, tmp_path: Path
) -> None:
    """An expander: from −52 dBFS on, 15 dB are added. The probes do not go to and fro for ever."""

    class Expander(FakeBench):
        def _speak(self, x: np.ndarray) -> np.ndarray:
            loud = np.max(np.abs(x), initial=0.0) > 10 ** (-52 / 20)
            return (5.6 if loud else 1.0) * super()._speak(x)

    bench = Expander()
    session = calibrated_session(tmp_path / "s", 122.0)
    ran = run_capture(bench, session, sidecar, "--levels-spl", "85", "--accept-level", "90")
    assert ran.exit_code in (0, 4) and bench.exchanges <= 10, ran.stderr


def correct(session: Path, lines: str) -> None:
    """Give a session's microphone a correction."""
    (session / "mic.txt").write_text(lines)
    with (session / "session.toml").open("a") as file:
        file.write('mic_correction = "mic.txt"\n')


def test_a_correction_at_the_calibrators_frequency_counts_as_doubt(
    sidecar: Path, tmp_path: Path
) -> None:
    """Levels are corrected, the calibrator's was not: they read 5 dB too low everywhere."""
    session = calibrated_session(tmp_path / "s", 120.0)
    correct(session, "20 5\n20000 5\n")
    options = ("--levels-spl", "72", "--accept-level", "95")
    ran = run_capture(FakeBench(), session, sidecar, *options)
    assert ran.exit_code == 0, ran.stderr
    confirmed = next(e for e in log_events(session) if e["event"] == "confirmed")
    assert confirmed["highest_spl_db"] - confirmed["nominal_spl_db"] == pytest.approx(6.0, abs=0.1)


def test_a_microphone_that_reads_9_db_high_with_its_file_stops_nothing(
    sidecar: Path, tmp_path: Path
) -> None:
    taps = scipy.signal.firwin2(
        511, [0, 1500, 3000, 24000], [1, 1, 10 ** (9 / 20), 10 ** (9 / 20)], fs=RATE_HZ
    )

    class Rising(FakeBench):
        def _speak(self, x: np.ndarray) -> np.ndarray:
            y = super()._speak(x)
            self.tail = np.concatenate([getattr(self, "tail", np.zeros(510)), y])
            out = np.convolve(self.tail, taps, mode="valid")
            self.tail = self.tail[-510:]
            return out

    session = calibrated_session(tmp_path / "s", 120.0)
    correct(session, "20 0\n1500 0\n3000 9\n20000 9\n")
    options = ("--levels-spl", "72 and 80", "--accept-level", "90")
    ran = run_capture(Rising(), session, sidecar, *options)
    assert ran.exit_code == 0, ran.stderr


def test_the_dose_of_an_interrupted_rung_is_noted(sidecar: Path, tmp_path: Path) -> None:
    import os
    import signal

    def strike(number: int, count: int, heard: np.ndarray) -> np.ndarray:
        if number == 2 and count == SWEEP_AT // BLOCK * BLOCK + 20 * BLOCK:
            os.kill(os.getpid(), signal.SIGINT)
        return heard

    session = calibrated_session(tmp_path / "s", 135.0)
    options = ("--levels-spl", "72 and 82", "--accept-level", "85")
    ran = run_capture(FakeBench(fault=strike), session, sidecar, *options)
    assert ran.exit_code == 130, ran.stderr
    assert any(e["listener_dba_minutes"] for e in log_events(session) if e["event"] == "exposure")
