"""What ends a sound: signals, the cut, the channels that are opened, lines nobody reads."""

from __future__ import annotations

import hashlib
import io
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
from conftest import long
from numpy.typing import NDArray

from distsweep.capture.backend import (
    BUFFERS_S,
    AudioDevice,
    Route,
    channels_to_open,
    server_warning,
    stop_sentence,
)
from distsweep.capture.conversation import Conversation
from distsweep.capture.gate import exchange
from distsweep.capture.interrupts import deferred
from distsweep.capture.portaudio import PortAudio
from distsweep.capture.watch import Stop, Watch
from distsweep.cli._printing import Printer
from distsweep.errors import DeviceError

pytestmark = pytest.mark.real_time

RATE_HZ = 48000

# ── a PortAudio without devices ────────────────────────────────────────────────────────────


class FakeStream:
    """A stream in real time that holds what its latency says; ``lag_s`` comes on top."""

    lag_s = 0.0

    def __init__(self, played: list[NDArray], kind: str, **given: Any) -> None:
        self.kind, self.given, self.played = kind, given, played
        self.latency = given.get("latency", 0.01)
        self.block = given.get("blocksize") or round(self.latency * RATE_HZ / 4)
        if kind == "both":
            self.latency = (self.latency, self.latency)
        channels = given["channels"]
        self.inputs, self.outputs = channels if kind == "both" else (channels, channels)
        self.active = False
        self.aborted_s: float | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self.active = True
        self._thread.start()

    def _run(self) -> None:
        began, count = time.monotonic(), 0
        status = SimpleNamespace(
            input_overflow=False,
            input_underflow=False,
            output_underflow=False,
            output_overflow=False,
        )
        # A hundredth of full scale: a microphone's noise, so that the input is not dead.
        noise = 0.01 * np.random.default_rng(1).standard_normal((RATE_HZ, self.inputs))
        lag_s = self.given["latency"] + self.lag_s if "latency" in self.given else 0.0
        stamp = SimpleNamespace(
            currentTime=0.0, outputBufferDacTime=lag_s, inputBufferAdcTime=-lag_s
        )
        while self.active:
            heard = noise[: self.block, : self.inputs]
            out = np.full((self.block, self.outputs), 9.0, dtype=np.float32)
            blocks = {"input": (heard,), "output": (out,), "both": (heard, out)}[self.kind]
            self.given["callback"](*blocks, self.block, stamp, status)
            if self.kind != "input":
                self.played.append(out)
            count += self.block
            time.sleep(max(0.0, began + count / RATE_HZ - time.monotonic()))

    def abort(self, *, ignore_errors: bool = True) -> None:
        self.aborted_s = self.aborted_s or time.monotonic()
        self.active = False

    def close(self, *, ignore_errors: bool = True) -> None:
        self.active = False


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """Stand in for sounddevice; ``takes`` says which channel counts a device takes."""
    made = SimpleNamespace(streams=[], played=[], takes=lambda _kind, _channels: True)
    module: Any = ModuleType("sounddevice")

    class PortAudioError(Exception):
        pass

    def check(kind: str) -> Callable[..., None]:
        def look(*, device: int, channels: int, samplerate: int) -> None:
            if not made.takes(kind, channels):
                raise PortAudioError("Invalid number of channels")

        return look

    def opener(kind: str) -> Callable[..., FakeStream]:
        def open_stream(**given: Any) -> FakeStream:
            made.streams.append(FakeStream(made.played, kind, **given))
            return made.streams[-1]

        return open_stream

    module.PortAudioError = PortAudioError
    module.check_input_settings, module.check_output_settings = check("input"), check("output")
    module.InputStream, module.OutputStream = opener("input"), opener("output")
    module.Stream = opener("both")
    monkeypatch.setitem(sys.modules, "sounddevice", module)
    return made


def device(name: str = "Box 4i4o (hw:1,0)", host: str = "ALSA", channels: int = 4) -> AudioDevice:
    return AudioDevice(0, name, host, channels, channels, 48000.0)


def route(box: AudioDevice, *, output_channel: int = 2) -> Route:
    return Route(box, output_channel, box, 1, None, 2, RATE_HZ)


def talk_on(where: Route, *, seconds: float = 3.0) -> Conversation:
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    watch = Watch(rate_hz=RATE_HZ, loudest_power=np.inf, level_power=np.inf, expected=None)
    return Conversation(tone.astype(np.float32), where, watch, guarded_from=0)


# ── the cut ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("eases", [0, long(1), 4])
@pytest.mark.parametrize("kind", ["loud", "interrupted"])
def test_what_an_output_holds_is_cut_where_a_fade_would_be_late(
    fake: SimpleNamespace, eases: int, kind: str
) -> None:
    backend = PortAudio()
    for _ in range(eases):
        backend.ease()
    talk = talk_on(route(device()))
    halted: list[float] = []

    def halt() -> None:
        time.sleep(0.3)
        halted.append(time.monotonic())
        talk.halt(Stop(kind, "test", talk.count))

    threading.Thread(target=halt).start()
    exchange(backend, talk, lambda _talk: None)
    output = fake.streams[1]
    latency_s = BUFFERS_S[min(eases, len(BUFFERS_S) - 1)]
    assert output.latency == latency_s
    if kind == "interrupted" and latency_s <= 0.01:
        assert output.aborted_s - halted[0] > 0.1  # it has faded, and was closed at the end
        assert not np.any(fake.played[-1])
    else:
        assert output.aborted_s - halted[0] < 0.03  # at once, but for a busy machine
    heard = talk.heard()
    assert heard.stop is not None and heard.stop.kind == kind
    assert heard.silent_at is not None
    # The input is heard on for the tail, cut or not.
    assert len(heard.recorded) - heard.silent_at >= round(0.3 * RATE_HZ)


def test_a_common_stream_is_cut_too(fake: SimpleNamespace) -> None:
    """ASIO has one stream a device: with the output its input ends."""
    backend = PortAudio()
    backend.ease()
    backend.ease()
    talk = talk_on(route(device(host="ASIO")))
    halted: list[float] = []

    def halt() -> None:
        halted.append(time.monotonic())
        talk.halt(Stop("loud", "test", talk.count))

    timer = threading.Timer(0.3, halt)
    timer.start()
    exchange(backend, talk, lambda _talk: None)
    assert [stream.kind for stream in fake.streams] == ["both"]
    assert fake.streams[0].aborted_s - halted[0] < 0.03
    assert talk.heard().stop == Stop("loud", "test", talk.heard().stop.sample)


def test_an_eased_input_keeps_its_short_blocks(fake: SimpleNamespace) -> None:
    """A fault would otherwise be heard 20 ms later, at 80 ms of latency."""
    backend = PortAudio()
    for _ in range(4):
        backend.ease()
    talk = talk_on(route(device()), seconds=0.2)
    exchange(backend, talk, lambda _talk: None)
    assert fake.streams[0].given["blocksize"] == round(0.005 * RATE_HZ)


@pytest.mark.parametrize(("lag_s", "within_s"), [long(0.004, 0.05), (0.03, 0.1)])
def test_a_devices_own_latency_is_told(
    fake: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, lag_s: float, within_s: float
) -> None:
    """Of 30 ms in each direction that were not asked for 25 come on top, whatever was eased."""
    monkeypatch.setattr(FakeStream, "lag_s", lag_s)
    backend = PortAudio()
    assert backend.stop_within_s() == 0.05
    for _ in range(3):
        exchange(backend, talk_on(route(device()), seconds=0.2), lambda _talk: None)
        assert backend.stop_within_s() == pytest.approx(within_s, abs=1e-6)
        backend.ease()


def test_a_late_end_is_announced_with_its_figure() -> None:
    assert stop_sentence(0.05) is None
    told = stop_sentence(0.11)
    assert told is not None and "up to 110 ms" in told


# ── channels ───────────────────────────────────────────────────────────────────────────────


def test_all_channels_are_opened_and_one_of_them_sounds(fake: SimpleNamespace) -> None:
    exchange(PortAudio(), talk_on(route(device()), seconds=0.2), lambda _talk: None)
    assert [stream.given["channels"] for stream in fake.streams] == [4, 4]
    played = np.concatenate(fake.played)
    assert np.max(np.abs(played[:, 1])) == pytest.approx(0.1, rel=1e-3)
    assert not np.any(played[:, [0, 2, 3]])


def test_an_interface_with_fewer_channels_at_this_rate_is_opened_with_a_pair(
    fake: SimpleNamespace,
) -> None:
    fake.takes = lambda _kind, channels: channels <= 2
    exchange(PortAudio(), talk_on(route(device(channels=18)), seconds=0.2), lambda _talk: None)
    assert [stream.given["channels"] for stream in fake.streams] == [2, 2]
    with pytest.raises(DeviceError, match="does not take 3 channel"):
        PortAudio().check(route(device(channels=18), output_channel=3))


def test_a_recording_reads_the_channel_it_was_told(fake: SimpleNamespace) -> None:
    """A source of four channels opened with one would be averaged by a sound server."""
    recorded = PortAudio().record(device(), channels=1, rate_hz=RATE_HZ, seconds=0.1)
    assert recorded.shape == (4800, 1)
    assert fake.streams[0].given["channels"] == 4


@pytest.mark.parametrize(
    ("host", "name", "has", "needed", "opened"),
    [
        ("ALSA", "Box 4i4o: USB Audio (hw:1,0)", 4, 1, (4, 2)),
        ("ALSA", "Mono (hw:2,0)", 1, 1, (1,)),
        ("ALSA", "pulse", 32, 1, (2,)),
        ("ALSA", "default", 128, 3, (3,)),
        ("Core Audio", "Box", 10, 2, (10, 2)),
        ("Windows WASAPI", "Box", 2, 1, (2,)),
        ("Windows DirectSound", "Primary", 8, 1, (2,)),
        ("MME", "Mapper", 1, 1, (1,)),
        ("JACK Audio Connection Kit", "system", 6, 4, (6, 4)),
    ],
)
def test_how_many_channels_are_opened(
    host: str, name: str, has: int, needed: int, opened: tuple[int, ...]
) -> None:
    box = AudioDevice(0, name, host, has, has, 48000.0)
    assert channels_to_open(box, needed, kind="output") == opened
    assert channels_to_open(box, needed, kind="input") == opened


def test_a_server_that_may_mix_or_resample_is_named() -> None:
    assert server_warning(route(device())) is None
    warned = server_warning(route(device("pulse")))
    assert warned is not None and "'pulse'" in warned and "resample" in warned


# ── signals ────────────────────────────────────────────────────────────────────────────────


def test_a_signal_is_heard_while_the_main_thread_is_inside_a_c_function() -> None:
    """Python's own handlers wait until it returns: here for as long as the hash takes."""
    heard: list[float] = []
    sent: list[float] = []

    def send() -> None:
        time.sleep(0.1)
        sent.append(time.monotonic())
        os.kill(os.getpid(), signal.SIGINT)

    with pytest.raises(KeyboardInterrupt), deferred() as pending:
        pending.at_once(lambda: heard.append(time.monotonic()))
        threading.Thread(target=send).start()
        hashlib.pbkdf2_hmac("sha256", b"", b"", 2_000_000)  # half a second and more
        done = time.monotonic()
    assert heard[0] - sent[0] < 0.05
    assert done - sent[0] > 0.1, "too short to tell"


def test_what_asks_after_a_signal_is_told_at_once() -> None:
    heard: list[str] = []
    with pytest.raises(KeyboardInterrupt), deferred() as pending:
        os.kill(os.getpid(), signal.SIGTERM)
        pending.at_once(lambda: heard.append("stop"))
    assert set(heard) == {"stop"}
    assert signal.set_wakeup_fd(-1) == -1  # as it was before


# ── lines ──────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def terminal() -> Iterator[tuple[int, io.TextIOWrapper]]:
    """A terminal: the reader's end, and the stream that a program writes to."""
    ours, theirs = os.openpty()
    stream = os.fdopen(theirs, "w")
    yield ours, stream
    os.close(ours)
    stream.close()


def read_all(end: int, until: str) -> str:
    shown = ""
    while until not in shown:
        shown += os.read(end, 65536).decode()
    return shown


LINES = [f"line {number} {'x' * 50}" for number in range(500)]


def test_a_terminal_that_nobody_reads_holds_nothing_up(
    terminal: tuple[int, io.TextIOWrapper],
) -> None:
    end, stream = terminal
    printer = Printer(stream)
    began = time.monotonic()
    for line in LINES:
        printer.tell(line)
        printer.show("left out")
    assert time.monotonic() - began < 0.5
    printer.finish()
    assert 0.3 < time.monotonic() - began < 2.0  # it has waited a little, for a slow reader
    # Once somebody reads, every line is there, in its order.
    shown = read_all(end, LINES[-1]).replace("\r\x1b[Kleft out\r\n", "").splitlines()
    assert [line for line in shown if line.startswith("line")] == LINES
    assert printer.flush(1.0)


def test_before_a_question_everything_is_shown(terminal: tuple[int, io.TextIOWrapper]) -> None:
    end, stream = terminal
    printer = Printer(stream)
    asked = threading.Event()

    def ask() -> None:
        for line in LINES:
            printer.tell(line)
        printer.ask("Type it: ")
        asked.set()

    threading.Thread(target=ask, daemon=True).start()
    assert not asked.wait(1.0)  # nobody has read it: there is no question yet
    assert read_all(end, "Type it: ").splitlines() == [*LINES, "Type it: "]
    assert asked.wait(1.0)


def test_the_live_line_is_overwritten_and_a_line_after_it_starts_anew(
    terminal: tuple[int, io.TextIOWrapper],
) -> None:
    end, stream = terminal
    printer = Printer(stream)
    printer.show("one")
    assert printer.flush(1.0)
    printer.show("two")
    printer.tell("three")
    assert read_all(end, "three") == "\r\x1b[Kone\r\x1b[Ktwo\r\nthree\r\n"


def test_a_slow_pipe_gets_everything() -> None:
    end, write = os.pipe()
    lines = LINES * 10  # 300 kB: more than a pipe holds
    got: list[str] = []

    def read() -> None:
        time.sleep(1.0)
        with os.fdopen(end) as reader:
            got.extend(reader.readline().rstrip("\n") for _ in lines)

    with os.fdopen(write, "w") as stream:
        printer = Printer(stream)
        for line in lines:
            printer.tell(line)
        printer.show("never in a pipe")
        reader = threading.Thread(target=read)
        reader.start()
        printer.finish()
    reader.join(5.0)
    assert got == lines


def test_what_a_driver_prints_cannot_hold_the_sound_up(
    fake: SimpleNamespace, terminal: tuple[int, io.TextIOWrapper], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A driver that prints 100 kB on stderr, a terminal that takes 4: it is stopped all the same.

    Lines of ours still reach the terminal meanwhile.
    """
    end, stream = terminal
    start = FakeStream.start

    def noisy_start(self: FakeStream) -> None:
        os.write(2, b"underrun " * 12000)
        start(self)

    monkeypatch.setattr(FakeStream, "start", noisy_start)
    kept = os.dup(2)
    os.dup2(stream.fileno(), 2)
    try:
        printer = Printer(os.fdopen(2, "w", closefd=False))
        talk = talk_on(route(device()), seconds=0.5)
        began = time.monotonic()
        exchange(PortAudio(), talk, lambda talk: printer.show(f"live {talk.count}"))
        assert time.monotonic() - began < 2.0
        assert talk.stop is None
        printer.tell("afterwards")
        assert printer.flush(1.0)
    finally:
        os.dup2(kept, 2)
        os.close(kept)
    shown = read_all(end, "afterwards")
    assert "underrun" not in shown
    assert max(int(part.split()[0]) for part in shown.split("live ")[1:]) > RATE_HZ // 4


def test_a_file_and_a_buffer_are_written_to_at_once(tmp_path: Path) -> None:
    with (tmp_path / "log").open("w+") as file:
        Printer(file).tell("line")
        assert (tmp_path / "log").read_text() == "line\n"
    memory = io.StringIO()
    Printer(memory).tell("line")
    assert memory.getvalue() == "line\n"
