"""What is said before anything sounds and beside it: background, time, drop-outs."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from capture_bench import (
    BLOCK,
    RATE_HZ,
    FakeBench,
    calibrated_session,
    log_events,
    run_capture,
    write_short_stimulus,
)

from distsweep.capture import pace
from distsweep.capture.dropouts import Dropout, LostSamples, silence_around_s
from distsweep.results import Tone
from distsweep.words.listening import heard_lines, hum_line

LEVELS = ("--levels-dbfs", "-52 and -46")
FIRST_RUNG = 2
"""The exchange of the first rung: a probe goes before it on this bench."""


@pytest.fixture(scope="module")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_short_stimulus(tmp_path_factory.mktemp("stimulus"))


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return calibrated_session(tmp_path / "session", 120.0)


def events(session: Path, name: str) -> list[dict]:
    return [event for event in log_events(session) if event["event"] == name]


# ── the background ─────────────────────────────────────────────────────────────────────────


class HummingBench(FakeBench):
    """White noise of −70 dBFS, and a line of 100 Hz at −50 dBFS; notes what was sent before."""

    listened = 0

    def record(self, device, *, channels, rate_hz, seconds, heard=None, dropped=None):
        assert not self.sent, "something sounded before"
        self.listened += 1
        time_s = np.arange(round(seconds * rate_hz)) / rate_hz
        noise = (
            10 ** (-70 / 20) * np.sqrt(0.5) * np.random.default_rng(2).standard_normal(len(time_s))
        )
        line = 10 ** (-50 / 20) * np.sin(2 * np.pi * 100.0 * time_s)
        both = np.stack([noise + line, noise], axis=1)[:, :channels]
        if heard is not None:
            heard(both[:rate_hz])
        if dropped is not None:
            dropped()
        return both


def test_the_background_is_listened_to_before_anything_sounds(session: Path, sidecar: Path) -> None:
    bench = HummingBench()
    ran = run_capture(bench, session, sidecar, *LEVELS)
    assert ran.exit_code == 0, ran.stderr
    assert bench.listened == 1
    told = [line.replace("\N{NO-BREAK SPACE}", " ") for line in ran.stderr.splitlines()]
    [hum] = [line for line in told if line.startswith("hum:")]
    assert hum.startswith("hum: 100 Hz at 70 dB SPL: mains of 50 Hz, mostly even multiples")
    assert any("1 drop-out meanwhile" in line for line in told)
    [noted] = events(session, "listened")
    levels = dict(zip(noted["third_octave_hz"], noted["third_octave_db"], strict=True))
    # The line alone in its third; white noise of 50 dB SPL up to 24 kHz in that around 1 kHz.
    assert levels[100.0] == pytest.approx(70.0, abs=0.1)
    width_hz = 1000.0 * (10**0.05 - 10**-0.05)
    assert levels[1000.0] == pytest.approx(50.0 + 10 * np.log10(width_hz / 24000.0), abs=0.8)
    assert noted["hum"][0][0] == 100.0 and noted["dropouts"] == 1
    # A-weighting takes 19.1 dB off at 100 Hz (IEC 61672-1, table 3).
    a_weighted = 10 * np.log10(10 ** ((70.0 - 19.1) / 10) + 10 ** (48.0 / 10))
    assert noted["a_weighted_db"] == pytest.approx(a_weighted, abs=0.6)


def test_digital_silence_is_told_before_the_probe(session: Path, sidecar: Path) -> None:
    ran = run_capture(FakeBench(noise_dbfs=-300.0), session, sidecar, *LEVELS)
    assert "input channel 1 is digital silence" in ran.stderr
    assert events(session, "forecast") == []


def test_the_table_of_thirds_fits_a_terminal() -> None:
    hz = 1000.0 * 10.0 ** (np.arange(-17, 14) / 10.0)
    lines = heard_lines(
        frequency_hz=hz, level_db=np.linspace(-9.0, 120.0, 31), whole_db=121.0, a_weighted_db=31.0,
        loudest_db=40.0, unit="dB SPL", hum=[], clipped=True, dropouts=0,
    )  # fmt: skip
    assert all(len(line) <= 80 for line in lines)
    assert sum(line.startswith("  dB") for line in lines) == 4
    assert any("reaches full scale" in line for line in lines)


@pytest.mark.parametrize(
    ("lines_hz", "cause"),
    [
        ([60.0, 180.0], "mains of 60 Hz, mostly odd"),
        ([100.0, 200.0], "mains of 50 Hz, mostly even"),
        ([300.0], "mains of 50 Hz, mostly even"),
        ([120.0], "mains of 60 Hz, mostly even"),
    ],
)
def test_hum_is_named_with_its_likely_cause(lines_hz: list[float], cause: str) -> None:
    hum = [Tone(f, 40.0 - number) for number, f in enumerate(lines_hz)]
    assert cause in hum_line(hum, "dB SPL")


# ── time ───────────────────────────────────────────────────────────────────────────────────


class TimedBench(FakeBench):
    """A bench with a clock: blocks last, opening takes 0.4 s, and closing 0.2 s."""

    now_s = 0.0

    def exchange(self, route, conversation, tick) -> None:
        self.now_s += 0.4
        super().exchange(route, conversation, tick)
        self.now_s += len(self.sent[-1]) / RATE_HZ + 0.2

    def __init__(self, verdict_s_a_second: float, monkeypatch: pytest.MonkeyPatch) -> None:
        super().__init__()
        from distsweep.capture import judge, ladder

        true = judge.judge_rung

        def slow(stimulus, file, *rest, **more):
            self.now_s += verdict_s_a_second * file.samples / RATE_HZ
            return true(stimulus, file, *rest, **more)

        monkeypatch.setattr(pace, "time", SimpleNamespace(monotonic=lambda: self.now_s))
        monkeypatch.setattr(pace.Pace, "judged_s_a_second", None)
        for module in (judge, ladder):
            monkeypatch.setattr(module, "judge_rung", slow)


@pytest.mark.parametrize(("verdict_s_a_second", "typed"), [(0.0, None), (0.3, "93\n")])
def test_the_time_that_is_announced_passes(
    session: Path, sidecar: Path, monkeypatch: pytest.MonkeyPatch,
    verdict_s_a_second: float, typed: str | None,
) -> None:  # fmt: skip
    """From the last answer to the last verdict, whether somebody answers or nobody has to."""
    bench = TimedBench(verdict_s_a_second, monkeypatch)
    quiet = "-52 and -46" if typed is None else "-30, -24 and -20"
    ran = run_capture(bench, session, sidecar, "--levels-dbfs", quiet, typed=typed)
    assert ran.exit_code == 0, ran.stderr
    [played] = events(session, "played")
    assert played["announced_s"] == pytest.approx(played["took_s"], rel=0.05)
    sound_s = sum(len(sent) for sent in bench.sent[-2:]) / RATE_HZ
    assert played["took_s"] > sound_s + 1.0
    if typed is not None:
        [said_s] = re.findall(r"What will sound, (\d+) s in all", ran.stderr)
        assert float(said_s) == pytest.approx(played["announced_s"], abs=0.6)


# ── drop-outs ──────────────────────────────────────────────────────────────────────────────


def test_drop_outs_are_counted_rung_by_rung(session: Path, sidecar: Path) -> None:
    bench = FakeBench()
    bench.late_s = 0.013
    bench.dropped_at = {(FIRST_RUNG, 150), (FIRST_RUNG + 1, 100)}
    ran = run_capture(bench, session, sidecar, *LEVELS)
    assert ran.exit_code == 0, ran.stderr
    told = ran.stderr.splitlines()
    [first] = [line for line in told if line.startswith("rung 1/2") and "measured" in line]
    assert first.endswith("after 2 drop-outs (2 at the input, up to 13 ms too late)")
    [second] = [line for line in told if line.startswith("rung 2/2")]
    assert "drop-out" not in second
    # The second struck when the buffer was 20 ms long already.
    assert any(line.endswith("--buffer-ms 33 (1584 samples)") for line in told)
    rungs = [event["dropouts"] for event in events(session, "rung")]
    assert [one["input"] for one in rungs] == [2, 0]
    assert rungs[0]["longest_late_ms"] == 13.0 and rungs[0]["buffer_needed_ms"] == 33.0


def test_endless_drop_outs_say_which_buffer_would_hold(session: Path, sidecar: Path) -> None:
    bench = FakeBench()
    bench.dropped_at = {(number, 150) for number in range(FIRST_RUNG, 20)}
    ran = run_capture(bench, session, sidecar, *LEVELS, "--buffer-ms", "5")
    assert ran.exit_code == 5
    last = ran.stderr.splitlines()[-1]
    # From 5 ms on it was doubled three times; how late the blocks were nobody told.
    assert "4 drop-outs (4 at the input)" in last and "--buffer-ms 80 (3840 samples)" in last


@pytest.mark.parametrize("given", ["4", "81", "long"])
def test_a_buffer_that_cannot_be_is_refused(given: str, session: Path, sidecar: Path) -> None:
    ran = run_capture(FakeBench(), session, sidecar, *LEVELS, "--buffer-ms", given)
    assert ran.exit_code == 2 and "--buffer-ms" in ran.stderr


def test_what_no_buffer_holds_is_said() -> None:
    lost = LostSamples(RATE_HZ)
    assert not lost
    lost.add([Dropout("output", 1.0, 0.07)], buffer_s=0.04)
    lost.add([], buffer_s=0.08)
    assert lost.words() == (
        "2 drop-outs (1 at the output and 1 that the audio system did not report, up to 70 ms too"
        " late)"
    )
    assert "a buffer of 110 ms, and 80 is the longest" in lost.remedy()
    stalled = LostSamples(RATE_HZ)
    stalled.add([Dropout("input", 1.0, 0.05, at_least=True)], buffer_s=0.01)
    assert stalled.words() == "1 drop-out (1 at the input, up to 50 ms or more too late)"
    assert stalled.remedy().endswith("longer than that: --buffer-ms 80 (3840 samples)")


def test_an_input_that_was_nothing_for_a_while_tells_how_long() -> None:
    mono = np.full(RATE_HZ, 1e-4)
    mono[10 * BLOCK : 13 * BLOCK] = 0.0
    silent_s = silence_around_s(mono, 12 * BLOCK, rate_hz=RATE_HZ, peak=1e-6)
    assert silent_s == pytest.approx(3 * BLOCK / RATE_HZ)
