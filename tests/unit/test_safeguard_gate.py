"""The one function through which samples leave, fed with everything it must refuse."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest
from capture_bench import RATE_HZ, FakeBench
from numpy.typing import NDArray

import distsweep
from distsweep.capture import safeguards
from distsweep.capture.backend import Route
from distsweep.capture.conversation import FADE_OUT_S, Conversation
from distsweep.capture.gate import Gate
from distsweep.capture.safeguards import Licence, SplCeiling, probe_licence, settle_ceiling
from distsweep.capture.watch import Stop, Watch
from distsweep.errors import SafetyRefusal

PACKAGE = Path(distsweep.__file__).parent


def route(bench: FakeBench) -> Route:
    device = bench.devices()[0]
    return Route(device, 1, device, 1, None, 2, RATE_HZ)


def open_watch() -> Watch:
    return Watch(rate_hz=RATE_HZ, loudest_power=np.inf, level_power=np.inf, expected=None)


def burst(level_dbfs: float, *, seconds: float = 0.5, frequency_hz: float = 1000.0) -> NDArray:
    """A tone with half a second of silence around it and a rounded envelope."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    envelope = np.sin(np.pi * time_s / seconds) ** 2
    tone = 10 ** (level_dbfs / 20) * envelope * np.sin(2 * np.pi * frequency_hz * time_s)
    quiet = np.zeros(RATE_HZ // 2)
    return np.concatenate([quiet, tone, quiet])


def leave(drive_dbfs: float) -> Licence:
    """A licence as a probe has it; no ceiling above 110 dB SPL comes without being asked for."""
    return probe_licence(drive_dbfs, worst_spl_db=70.0, ceiling=settle_ceiling(100.0, None))


def send(bench: FakeBench, samples, licence=None, gate: Gate | None = None):
    gate = gate or Gate(bench, route(bench))
    licence = licence or leave(-60.0)
    return gate.send(samples, licence, watch=open_watch(), tick=lambda _talk: None)


def test_what_is_within_the_licence_leaves_as_it_is() -> None:
    bench = FakeBench()
    wave = burst(-60.0)
    heard = send(bench, wave)
    assert heard.stop is None
    np.testing.assert_allclose(bench.sent[0][: len(wave)], wave, atol=1e-9)
    assert not np.any(bench.sent[0][len(wave) :])


HOSTILE = {
    "NaN": lambda: np.where(np.arange(48000) == 24000, np.nan, burst(-60.0)[:48000]),
    "inf": lambda: np.where(np.arange(48000) == 24000, np.inf, burst(-60.0)[:48000]),
    "all NaN": lambda: np.full(1000, np.nan),
    "DC": lambda: np.full(48000, 1e-4),
    "DC under a tone": lambda: burst(-61.0) + 2e-5,
    "slow drift": lambda: 1e-3 * np.sin(2 * np.pi * 0.3 * np.arange(96000) / RATE_HZ),
    "over full scale": lambda: burst(6.0),
    "overflows single precision": lambda: np.full(1000, 1e300),
    "full scale": lambda: burst(0.0),
    "a hair above the licence": lambda: burst(-59.9),
    "one loud sample": lambda: np.eye(1, 48000, 24000)[0],
    "abrupt": lambda: np.concatenate(
        [np.zeros(24000), 1e-3 * np.sin(2 * np.pi * 0.05 * np.arange(24000))]
    ),
    "noise at once": lambda: np.concatenate(
        [np.zeros(24000), 1e-3 * np.sign(np.sin(np.arange(24000)))]
    ),
    "two rows": lambda: np.zeros((2, 100)),
    "nothing": lambda: np.zeros(0),
    "complex": lambda: np.zeros(100, dtype=complex),
    "objects": lambda: np.array([None] * 10),
    "truth values": lambda: np.ones(100, dtype=bool),
    "text": lambda: np.array(["1"] * 10),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_arrays_are_refused_before_a_sample_leaves(name: str) -> None:
    bench = FakeBench()
    with pytest.raises(SafetyRefusal):
        send(bench, HOSTILE[name]())
    assert bench.exchanges == 0


@pytest.mark.parametrize(
    "licence",
    [None, object(), "licence", 100.0, {"limit_dbfs": 0.0}],
    ids=["none", "object", "text", "number", "table"],
)
def test_nothing_leaves_without_a_licence(licence: object) -> None:
    bench = FakeBench()
    gate = Gate(bench, route(bench))
    with pytest.raises(SafetyRefusal, match="licence"):
        gate.send(burst(-60.0), licence, watch=open_watch(), tick=lambda _talk: None)
    assert bench.exchanges == 0


def test_a_licence_or_a_ceiling_cannot_be_forged() -> None:
    genuine = leave(-60.0)
    with pytest.raises(SafetyRefusal, match="by the safeguards only"):
        Licence(0.0, 100.0, "typed")
    with pytest.raises(SafetyRefusal, match="by the safeguards only"):
        SplCeiling(200.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        genuine.limit_dbfs = 0.0  # type: ignore[misc]
    for limit_dbfs in (np.nan, np.inf, 0.1, 0.0, -10.0):
        with pytest.raises(SafetyRefusal):
            dataclasses.replace(genuine, limit_dbfs=limit_dbfs)

    class Kin(Licence):
        pass

    with pytest.raises(SafetyRefusal, match="licence"):
        send(FakeBench(), burst(-60.0), Kin(-60.0, 70.0, "x", seal=safeguards._SEAL))


def test_the_array_cannot_change_after_it_was_judged() -> None:
    wave = burst(-60.0)

    def spoil(_number: int, _count: int, heard: NDArray) -> NDArray:
        wave[:] = 1.0
        return heard

    bench = FakeBench(fault=spoil)
    send(bench, wave)
    assert bench.loudest <= 10 ** (-60 / 20) * (1 + 1e-6)


def test_a_rise_of_more_than_10_db_is_refused_until_the_step_between_went_well() -> None:
    bench = FakeBench()
    gate = Gate(bench, route(bench))
    loud = leave(-40.0)
    with pytest.raises(SafetyRefusal, match="louder than anything that went well"):
        send(bench, burst(-59.0), loud, gate)
    assert bench.exchanges == 0
    for level_dbfs in (-60.0, -50.0, -40.0):
        send(bench, burst(level_dbfs), loud, gate)
    assert bench.exchanges == 3


def test_what_was_stopped_proves_nothing() -> None:
    """A sending that did not go to its end allows no louder one."""
    bench = FakeBench()
    gate = Gate(bench, route(bench))
    loud = leave(-40.0)

    def stop(talk: Conversation) -> None:
        talk.halt(Stop("interrupted", "test"))

    gate.send(burst(-60.0), loud, watch=open_watch(), tick=stop)
    with pytest.raises(SafetyRefusal, match="louder than anything that went well"):
        send(bench, burst(-50.0), loud, gate)


def test_every_array_is_faded_in() -> None:
    """A tone that starts with the array, unfaded, leaves with a fade over 20 ms."""
    bench = FakeBench()
    tone = 1e-3 * np.sin(2 * np.pi * 500 * np.arange(48000) / RATE_HZ)
    send(bench, tone)
    first = np.abs(bench.sent[0])
    assert np.max(first[: RATE_HZ // 200]) < 0.2e-3  # 5 ms: a quarter of the fade
    assert np.max(first[: RATE_HZ // 10]) == pytest.approx(1e-3, rel=1e-3)


def test_nothing_is_said_before_somebody_listens() -> None:
    """Inputs may start long after outputs: until then there is silence, and nothing is lost."""
    bench = FakeBench()
    tone = np.full(4800, 0.5, dtype=np.float32)
    talk = Conversation(tone, route(bench), open_watch(), guarded_from=0)
    block = np.full(480, 9.0, dtype=np.float32)
    for _ in range(100):
        assert talk.fill(block) is False
        assert not np.any(block)
    talk.hear(np.zeros((480, 2), dtype=np.float32), dropped=False)
    talk.fill(block)
    np.testing.assert_array_equal(block, tone[:480])


@pytest.mark.parametrize("block", [16, 64, 480, 1024, 4096])
def test_a_stop_fades_out_smoothly_and_stays_silent(block: int) -> None:
    """Whatever the block length: from the stop on, 10 ms of fade, then nothing, no click."""
    bench = FakeBench()
    tone = 0.5 * np.sin(2 * np.pi * 100 * np.arange(RATE_HZ) / RATE_HZ)
    talk = Conversation(tone.astype(np.float32), route(bench), open_watch(), guarded_from=0)
    out: list[NDArray] = []
    talk.hear(np.zeros((block, 2), dtype=np.float32), dropped=False)
    for number in range(20000 // block):
        if number == 8192 // block:
            talk.halt(Stop("loud", "test"))
            stopped = len(np.concatenate(out))
        piece = np.full(block, np.nan, dtype=np.float32)
        talk.fill(piece)
        talk.hear(np.zeros((block, 2), dtype=np.float32), dropped=False)
        out.append(piece)
    sent = np.concatenate(out)
    fade = round(FADE_OUT_S * RATE_HZ)
    np.testing.assert_array_equal(sent[:stopped], tone[:stopped].astype(np.float32))
    assert not np.any(sent[stopped + fade :])
    assert np.all(np.abs(sent[stopped : stopped + fade]) <= 0.5)
    # No step larger than the tone's own slope and the fade's together.
    steepest = 0.5 * (2 * np.pi * 100 + np.pi / 2 / FADE_OUT_S) / RATE_HZ
    assert np.max(np.abs(np.diff(sent))) <= 1.01 * steepest


def test_trouble_in_the_callbacks_becomes_silence_and_a_reason() -> None:
    class Broken(Watch):
        def look(self, recorded, count):
            raise RuntimeError("inside")

    bench = FakeBench()
    gate = Gate(bench, route(bench))
    broken = Broken(rate_hz=RATE_HZ, loudest_power=np.inf, level_power=np.inf, expected=None)
    heard = gate.send(burst(-60.0), leave(-60.0), watch=broken, tick=lambda _: None)
    assert heard.stop is not None and heard.stop.kind == "broken"
    assert np.max(np.abs(bench.sent[0]), initial=0.0) == 0.0  # it broke in the lead of silence

    talk = Conversation(burst(-60.0).astype(np.float32), route(bench), open_watch(), guarded_from=0)
    talk.hear(np.zeros((480, 2), dtype=np.float32), dropped=False)
    talk._fade = None  # type: ignore[assignment]  # something is wrong inside
    talk.halt(Stop("loud", "test"))
    block = np.full(480, 9.0, dtype=np.float32)
    assert talk.fill(block) is True
    assert not np.any(block)


def test_samples_leave_at_one_place_only() -> None:
    """No second way out: streams are opened in one file, exchanges asked for in another."""
    sources = {
        path.relative_to(PACKAGE).as_posix(): path.read_text() for path in PACKAGE.rglob("*.py")
    }

    def files_with(pattern: str) -> set[str]:
        return {name for name, text in sources.items() if re.search(pattern, text)}

    assert files_with(r"(import|from) +_?sounddevice") == {"capture/portaudio.py"}
    assert files_with(r"OutputStream|RawStream|\.Stream\(|\bsd\.play|playrec") == {
        "capture/portaudio.py"
    }
    assert sources["capture/portaudio.py"].count("OutputStream(") == 1
    assert sources["capture/portaudio.py"].count("Stream(") == 4  # in, out, ASIO's; record's in
    # Who asks the backend to play: the gate, once.
    assert files_with(r"\.exchange\(") == {"capture/gate.py"}
    assert sources["capture/gate.py"].count(".exchange(") == 1
    assert sources["capture/gate.py"].count(" exchange(") == 2  # its definition, and Gate.send
    assert files_with(r"gate import [^\n]*\bexchange|\bgate\.exchange") == set()
    assert files_with(r"\bpyaudio\b|simpleaudio|aplay|paplay|pacat|ossaudiodev|winsound") == set()
    # Who can make a licence, a ceiling, or a gate.
    assert files_with(r"(?<!class )\bLicence\(") == {"capture/safeguards.py"}
    assert files_with(r"(?<!class )\bSplCeiling\(") == {"capture/safeguards.py"}
    assert files_with(r"\b_SEAL\b") == {"capture/safeguards.py"}
    assert files_with(r"(?<!class )\bGate\(") == {"capture/sending.py"}
