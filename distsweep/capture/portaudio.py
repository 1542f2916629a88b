"""The computer's audio system, through PortAudio: the only place that imports sounddevice."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

import numpy as np

from distsweep.capture.backend import AudioDevice, Conversation, Route
from distsweep.errors import DeviceError
from distsweep.units import FloatArray

TICK_S = 0.02
"""The waiting thread looks around this often."""

LATENCIES_S = (0.01, 0.02, 0.04, 0.08)
"""Asked of both directions, the next after a drop-out (chosen: what the output holds sounds
on after a stop, and 10 ms of it leave room within 50 ms; 80 ms is what a busy computer with a
USB interface can hold)."""

STARTING_S = 3.0
"""A stream may take so long to deliver its first block (an input of PulseAudio: 1 s)."""

STUCK_S = 0.5
"""No block in either direction for so long: the device is gone (chosen: fifty times the
blocks' usual distance)."""

CLOSING_S = 2.0
"""A driver that takes longer to close is left behind."""


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
        self._eased = 0

    def devices(self) -> Sequence[AudioDevice]:
        """List the devices."""
        try:
            hosts = [host["name"] for host in self._sd.query_hostapis()]
            listed = list(self._sd.query_devices())
        except self._sd.PortAudioError as error:
            raise DeviceError(f"the audio devices cannot be listed ({_told(error)})") from error
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
        for kind, device, channels in (
            ("output", route.output, route.output_channel),
            ("input", route.input, route.input_channels),
        ):
            look = getattr(self._sd, f"check_{kind}_settings")
            try:
                look(device=device.index, channels=channels, samplerate=route.rate_hz)
            except (self._sd.PortAudioError, ValueError) as error:
                raise DeviceError(
                    f"{kind} {device.name!r} does not take {channels} channel(s) at"
                    f" {route.rate_hz} Hz ({_told(error)}): choose another device, or write the"
                    " stimulus at a rate it takes"
                ) from error

    def ease(self) -> None:
        """Ask for more latency from now on."""
        self._eased = min(self._eased + 1, len(LATENCIES_S) - 1)

    def exchange(self, route: Route, conversation: Conversation, tick: Callable[[], None]) -> None:
        """Play and record until ``hear`` says that it was enough."""
        watch = _Pulse(self._sd, route, conversation, LATENCIES_S[self._eased])
        streams: list[Any] = []
        try:
            streams += watch.open_streams()
            for stream in streams:
                stream.start()
            watch.wait(streams, tick)
        except self._sd.PortAudioError as error:
            raise DeviceError(f"the audio device failed ({_told(error)})") from error
        finally:
            _close(streams)

    def record(
        self, device: AudioDevice, *, channels: int, rate_hz: int, seconds: float
    ) -> FloatArray:
        """Record only; return shape ``(frames, channels)``."""
        frames = round(seconds * rate_hz)
        recorded = np.zeros((frames, channels))
        count, beat = 0, time.monotonic() + STARTING_S - STUCK_S

        def take(block: Any, arrived: int, _time: Any, _status: Any) -> None:
            nonlocal count, beat
            inside = min(arrived, frames - count)
            recorded[count : count + inside] = block[:inside]
            count, beat = count + inside, time.monotonic()

        try:
            stream = self._sd.InputStream(
                device=device.index,
                channels=channels,
                samplerate=rate_hz,
                dtype="float32",
                callback=take,
            )
            stream.start()
        except self._sd.PortAudioError as error:
            raise DeviceError(f"{device.name!r} cannot be recorded ({_told(error)})") from error
        try:
            while count < frames:
                time.sleep(TICK_S)
                if time.monotonic() - beat > STUCK_S or not stream.active:
                    raise DeviceError(
                        f"{device.name!r} stopped in mid-recording: is it plugged in?"
                    )
        finally:
            _close([stream])
        return recorded


class _Pulse:
    """The streams of one exchange, and whether they still beat."""

    def __init__(self, sd: Any, route: Route, conversation: Conversation, latency_s: float) -> None:
        self._sd = sd
        self._latency_s = latency_s
        self._route = route
        self._talk = conversation
        self._done = threading.Event()
        self._beat: dict[str, float | None] = {"output": None, "input": None}

    def open_streams(self) -> list[Any]:
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
                    channels=(route.input_channels, route.output_channel),
                    callback=self._both,
                    **common,
                )
            ]
        hearing = self._sd.InputStream(
            device=route.input.index,
            channels=route.input_channels,
            callback=self._hear,
            **common,
        )
        try:
            speaking = self._sd.OutputStream(
                device=route.output.index,
                channels=route.output_channel,
                callback=self._speak,
                **common,
            )
        except BaseException:
            hearing.close()
            raise
        return [hearing, speaking]

    def wait(self, streams: list[Any], tick: Callable[[], None]) -> None:
        """Wait for the end; raise DeviceError when a stream stops beating."""
        began = time.monotonic()
        while not self._done.wait(TICK_S):
            tick()
            now = time.monotonic()
            for kind, beat in self._beat.items():
                device = self._route.output if kind == "output" else self._route.input
                stuck = now - began > STARTING_S if beat is None else now - beat > STUCK_S
                if stuck:
                    raise DeviceError(f"{kind} {device.name!r} has stopped: is it plugged in?")
            if not all(stream.active for stream in streams):
                raise DeviceError("the audio device has stopped: is it plugged in and powered?")

    def _both(self, heard: Any, out: Any, _frames: int, _time: Any, status: Any) -> None:
        self._hear(heard, _frames, _time, status)
        self._speak(out, _frames, _time, status)

    def _speak(self, out: Any, _frames: int, _time: Any, status: Any) -> None:
        self._beat["output"] = time.monotonic()
        if status.output_underflow or status.output_overflow:
            self._talk.output_dropped()
        out.fill(0.0)
        self._talk.fill(out[:, self._route.output_channel - 1])

    def _hear(self, heard: Any, _frames: int, _time: Any, status: Any) -> None:
        self._beat["input"] = time.monotonic()
        dropped = bool(status.input_overflow or status.input_underflow)
        if self._talk.hear(heard, dropped=dropped):
            self._done.set()


def _close(streams: Sequence[Any]) -> None:
    """Close streams, in a thread of its own: some drivers never return from it."""

    def close() -> None:
        for stream in streams:
            with suppress(Exception):  # a device that is gone cannot be closed any better
                stream.abort(ignore_errors=True)
                stream.close(ignore_errors=True)

    closing = threading.Thread(target=close, daemon=True)
    closing.start()
    closing.join(CLOSING_S)


def _told(error: BaseException) -> str:
    return " ".join(str(error).split())
