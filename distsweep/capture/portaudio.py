"""The computer's audio system, through PortAudio: the only place that imports sounddevice."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np

from distsweep.c_libraries import unheard
from distsweep.capture.backend import (
    BUFFERS_S,
    STOP_WITHIN_S,
    Arriving,
    AudioDevice,
    Conversation,
    Route,
    channels_to_open,
)
from distsweep.capture.block_times import BlockTimes
from distsweep.capture.drivers import CLOSING_S, close_streams
from distsweep.errors import DeviceError
from distsweep.units import FloatArray

TICK_S = 0.02
"""Interval at which the waiting thread checks that the streams are alive (chosen)."""

EASED_BLOCK_S = 0.005
"""Length of the input's blocks at the larger latencies: they would grow with the buffer, and a
fault would be noticed late."""

ALLOWED_EXCESS_S = 0.005
"""Latency of each direction beyond what was asked for that the 50 ms of a stop allow for (measured
on a sound server: sound ends 20 ms after a fault at the latest)."""

FADE_S = 0.015
"""Duration of a fade: its 10 ms, and up to 5 ms until the output asks for its next block."""

STARTING_S = 3.0
"""Longest wait for a stream's first block (chosen: an input of PulseAudio takes 1 s)."""

STUCK_S = 0.5
"""A stream without a block for this long has lost its device (chosen: fifty times the usual
distance of blocks)."""


class PortAudio:
    """The devices that PortAudio knows."""

    def __init__(self) -> None:
        """Load PortAudio.

        Raises
        ------
        DeviceError
            It is not installed.
        """
        try:
            import sounddevice
        except OSError as error:
            raise DeviceError(
                f"the PortAudio library is missing ({error}): install it (Debian and Ubuntu:"
                " apt install libportaudio2); everything but devices, capture and calibrate"
                " --input works without"
            ) from error
        except ImportError as error:
            raise DeviceError(
                f"the Python package sounddevice is missing ({error}): pip install sounddevice"
            ) from error
        self._sd: Any = sounddevice
        self._buffer_s = BUFFERS_S[0]
        self._excess_s: float | None = None
        self._opened: dict[tuple[str, int, int, int], int] = {}

    def devices(self) -> Sequence[AudioDevice]:
        """List the devices."""
        try:
            hosts = [host["name"] for host in self._sd.query_hostapis()]
            listed = list(self._sd.query_devices())
        except self._sd.PortAudioError as error:
            raise DeviceError(f"the audio devices cannot be listed ({_one_line(error)})") from error
        return [
            AudioDevice(
                index=index,
                name=item["name"],
                host=hosts[item["hostapi"]],
                inputs=item["max_input_channels"],
                outputs=item["max_output_channels"],
                rate_hz=float(item["default_samplerate"]),
            )
            for index, item in enumerate(listed)
        ]

    def check(self, route: Route) -> None:
        """Make sure that both devices take the rate and the channels; nothing sounds."""
        self._channels("output", route.output, route.output_channel, route.rate_hz)
        self._channels("input", route.input, route.input_channels, route.rate_hz)

    def _channels(self, kind: str, device: AudioDevice, needed: int, rate_hz: int) -> int:
        """Return with how many channels a device opens; raise DeviceError if it does not."""
        key = (kind, device.index, needed, rate_hz)
        if key in self._opened:
            return self._opened[key]
        check_settings = getattr(self._sd, f"check_{kind}_settings")
        for channels in channels_to_open(device, needed, kind=kind):
            try:
                with unheard():
                    check_settings(device=device.index, channels=channels, samplerate=rate_hz)
            except (self._sd.PortAudioError, ValueError) as error:
                refused: Exception = error
            else:
                self._opened[key] = channels
                return channels
        raise DeviceError(
            f"{kind} {device.name!r} does not take {channels} channel(s) at"
            f" {rate_hz} Hz ({_one_line(refused)}): choose another device, or write the"
            " stimulus at a rate it takes"
        ) from refused

    def ease(self) -> None:
        """Ask for a longer buffer from now on."""
        longer = [buffer_s for buffer_s in BUFFERS_S if buffer_s > self._buffer_s + 1e-6]
        self._buffer_s = longer[0] if longer else self._buffer_s

    def use_buffer(self, buffer_s: float) -> None:
        """Ask for a buffer of this length from now on."""
        self._buffer_s = buffer_s

    def buffer_s(self) -> float:
        """Return the length of the buffer that is asked for now."""
        return self._buffer_s

    def stop_within_s(self) -> float:
        """Return how soon after a stop sound ends, in seconds, as exchanges so far have shown.

        The least of them counts: once eased, a sound server may hold more, but throws it away.
        """
        return STOP_WITHIN_S + (self._excess_s or 0.0)

    def exchange(self, route: Route, conversation: Conversation, tick: Callable[[], None]) -> None:
        """Play and record until ``hear`` returns True."""
        opened = (
            self._channels("input", route.input, route.input_channels, route.rate_hz),
            self._channels("output", route.output, route.output_channel, route.rate_hz),
        )
        streams = _Streams(self._sd, route, conversation, opened=opened, latency_s=self._buffer_s)
        with unheard():
            self._run(streams, tick)

    def _run(self, streams: _Streams, tick: Callable[[], None]) -> None:
        opened: list[Any] = []
        try:
            opened += streams.open()
            for stream in opened:
                stream.start()
            with streams.ready_to_cut(opened):
                streams.wait(opened, tick)
            excess_s = streams.excess_latency_s()
            self._excess_s = excess_s if self._excess_s is None else min(self._excess_s, excess_s)
        except self._sd.PortAudioError as error:
            raise DeviceError(f"the audio device failed ({_one_line(error)})") from error
        finally:
            close_streams(opened)

    def record(
        self,
        device: AudioDevice,
        *,
        channels: int,
        rate_hz: int,
        seconds: float,
        heard: Arriving | None = None,
        dropped: Callable[[], None] | None = None,
    ) -> FloatArray:
        """Record only; return shape ``(frames, channels)``."""
        frames = round(seconds * rate_hz)
        recorded = np.zeros((frames, channels))
        opened = self._channels("input", device, channels, rate_hz)
        count, latest_s = 0, time.monotonic() + STARTING_S - STUCK_S

        def take(block: Any, arrived: int, _time: Any, status: Any) -> None:
            nonlocal count, latest_s
            if dropped is not None and count and (status.input_overflow or status.input_underflow):
                dropped()
            inside = min(arrived, frames - count)
            recorded[count : count + inside] = block[:inside, :channels]
            count, latest_s = count + inside, time.monotonic()

        try:
            stream = self._sd.InputStream(
                device=device.index,
                channels=opened,
                samplerate=rate_hz,
                dtype="float32",
                callback=take,
            )
            stream.start()
        except self._sd.PortAudioError as error:
            raise DeviceError(f"{device.name!r} cannot be recorded ({_one_line(error)})") from error
        try:
            while count < frames:
                time.sleep(TICK_S)
                if time.monotonic() - latest_s > STUCK_S or not stream.active:
                    raise DeviceError(
                        f"{device.name!r} stopped in mid-recording: is it plugged in?"
                    )
                if heard is not None:
                    heard(recorded[:count])
        finally:
            close_streams([stream])
        return recorded


class _Streams:
    """The streams of one exchange: opens them, feeds them, and tells whether they are alive."""

    def __init__(
        self,
        sd: Any,
        route: Route,
        conversation: Conversation,
        *,
        opened: tuple[int, int],
        latency_s: float,
    ) -> None:
        """Prepare one exchange; ``opened`` are the channels of input and output."""
        self._sd = sd
        self._latency_s = latency_s
        self._opened = opened
        self._halted = threading.Event()
        self._ended = self._cut = False
        self._route = route
        self._talk = conversation
        self._done = threading.Event()
        self._blocks = {kind: BlockTimes(route.rate_hz) for kind in ("output", "input")}

    def open(self) -> list[Any]:
        """Open a stream for each direction.

        Two devices have two clocks: a common stream would have to drop or invent samples. One
        device takes two streams as well, but for ASIO, which has one stream a device; where
        one is in the other does not matter, the markers tell.
        """
        route = self._route
        common = {"samplerate": route.rate_hz, "dtype": "float32", "latency": self._latency_s}
        if route.input.index == route.output.index and route.input.host == "ASIO":
            return [
                self._sd.Stream(
                    device=(route.input.index, route.output.index),
                    channels=self._opened,
                    callback=self._both,
                    **common,
                )
            ]
        hearing = self._sd.InputStream(
            device=route.input.index,
            channels=self._opened[0],
            callback=self._hear,
            blocksize=round(EASED_BLOCK_S * route.rate_hz) * (self._latency_s > BUFFERS_S[0]),
            **common,
        )
        try:
            speaking = self._sd.OutputStream(
                device=route.output.index,
                channels=self._opened[1],
                callback=self._speak,
                **common,
            )
        except BaseException:
            hearing.close()
            raise
        return [hearing, speaking]

    def wait(self, streams: list[Any], tick: Callable[[], None]) -> None:
        """Wait for the end; raise DeviceError when no more blocks come."""
        began = time.monotonic()
        while not self._done.wait(TICK_S):
            tick()
            now = time.monotonic()
            for kind, blocks in self._blocks.items():
                latest_s = blocks.latest_s
                device = self._route.output if kind == "output" else self._route.input
                if kind == "output" and self._cut:
                    continue
                late = now - began > STARTING_S if latest_s is None else now - latest_s > STUCK_S
                if late:
                    raise DeviceError(f"{kind} {device.name!r} has stopped: is it plugged in?")
            if not all(stream.active for stream in streams[: 1 if self._cut else 2]):
                raise DeviceError("the audio device has stopped: is it plugged in and powered?")

    @contextmanager
    def ready_to_cut(self, streams: list[Any]) -> Iterator[None]:
        """Keep a thread ready that silences the output as soon as the conversation halts."""
        cutter = threading.Thread(target=self._cut_when_halted, args=(streams,), daemon=True)
        cutter.start()
        self._talk.when_halted(self._halted.set)
        try:
            yield
        finally:
            self._ended = True
            self._halted.set()
            cutter.join(CLOSING_S)

    def _cut_when_halted(self, streams: list[Any]) -> None:
        """Throw away what the output holds, unless a fade through all of it comes in time.

        It is a thread of its own: the one that waits may be computing, and those that
        PortAudio calls back in may not stop their own streams.
        """
        self._halted.wait()
        output = streams[-1]
        # A common stream has two latencies: the output's is the last.
        held_s = float(np.ravel(output.latency)[-1])
        if self._ended or held_s + FADE_S <= self._talk.may_sound_s():
            return
        self._cut = True
        output.abort(ignore_errors=True)
        self._talk.cut()
        if len(streams) == 1:  # ASIO's common stream: nothing more is heard
            self._done.set()

    def excess_latency_s(self) -> float:
        """Return both directions' latency beyond what was asked for and is allowed for."""
        allowed_s = self._latency_s + ALLOWED_EXCESS_S
        return sum(blocks.excess_s(allowed_s) for blocks in self._blocks.values())

    def _both(self, heard: Any, out: Any, frames: int, time_: Any, status: Any) -> None:
        self._hear(heard, frames, time_, status)
        self._speak(out, frames, time_, status)

    def _speak(self, out: Any, frames: int, time_: Any, status: Any) -> None:
        late_s = self._blocks["output"].came(frames, time_.outputBufferDacTime - time_.currentTime)
        if status.output_underflow or status.output_overflow:
            self._talk.output_dropped(late_s)
        out.fill(0.0)
        self._talk.fill(out[:, self._route.output_channel - 1])

    def _hear(self, heard: Any, frames: int, time_: Any, status: Any) -> None:
        late_s = self._blocks["input"].came(frames, time_.currentTime - time_.inputBufferAdcTime)
        dropped = bool(status.input_overflow or status.input_underflow)
        block = heard[:, : self._route.input_channels]
        if self._talk.hear(block, dropped=dropped, late_s=late_s):
            self._done.set()


def _one_line(error: BaseException) -> str:
    return " ".join(str(error).split())
