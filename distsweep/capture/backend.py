"""What the capture needs of an audio system: devices, a route through two, and an exchange."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from distsweep.units import FloatArray
from distsweep.words.wording import listed


@dataclass(frozen=True)
class AudioDevice:
    """A device as the audio system lists it; ``index`` is what it is opened by."""

    index: int
    name: str
    host: str
    inputs: int
    outputs: int
    rate_hz: float


@dataclass(frozen=True)
class Route:
    """Where the sound goes out and comes in; channels count from 1.

    Attributes
    ----------
    loopback_channel : input channel that the output is wired to, as a time reference.
    input_channels : how many input channels are opened, from the first.
    """

    output: AudioDevice
    output_channel: int
    input: AudioDevice
    input_channel: int
    loopback_channel: int | None
    input_channels: int
    rate_hz: int


SHARED_HOSTS = ("PulseAudio", "MME", "Windows DirectSound")
"""Hosts behind which a sound server, or the system's mixer, adds up the sound of all programs."""


def is_shared(device: AudioDevice) -> bool:
    """Tell whether a sound server stands between the program and the converters.

    ALSA's own converters have "(hw:" in their names; its other devices are plug-ins. JACK is
    a server too, but hands ports and rate on as they are.
    """
    return device.host in SHARED_HOSTS or (device.host == "ALSA" and "(hw:" not in device.name)


def channels_to_open(device: AudioDevice, needed: int, *, kind: str) -> tuple[int, ...]:
    """Return with how many channels to open a device, the best first.

    With fewer than it has, a driver may copy one channel to others, or average them. A server
    that pretends to have 32 mixes those down to what there is: it gets a pair, which most
    have, or as many as are needed. Some interfaces have fewer channels at high rates.

    Parameters
    ----------
    needed : the highest channel that is used, counted from 1.
    kind : "input" or "output".
    """
    has = max(needed, device.inputs if kind == "input" else device.outputs)
    least = max(needed, min(2, has))
    return (least,) if is_shared(device) else tuple(dict.fromkeys((has, least)))


def server_warning(route: Route) -> str | None:
    """Return one line where a server may mix channels or resample; None where none does."""
    shared = [device for device in (route.output, route.input) if is_shared(device)]
    names = list(dict.fromkeys(repr(device.name) for device in shared))
    if not names:
        return None
    return (
        f"{listed(names)} may belong to a sound server, which can copy sound to other"
        " channels, mix channels together, and resample: set it to this rate, and listen that"
        " only one loudspeaker sounds, or choose a device with '(hw:' in its name"
    )


STOP_WITHIN_S = 0.05
"""Time in which sound ends after a fault has come in, or after Ctrl-C, unless the devices' own
latency is longer (a requirement of capture)."""


def stop_sentence(within_s: float) -> str | None:
    """Return one line where sound ends later after a stop than is promised; else None.

    Parameters
    ----------
    within_s : as ``Backend.stop_within_s`` tells.
    """
    if round(within_s, 3) <= STOP_WITHIN_S:
        return None
    return (
        f"after a stop sound goes on for up to {1000.0 * within_s:.0f} ms, not"
        f" {1000.0 * STOP_WITHIN_S:.0f}: the audio devices have that much latency of their own"
    )


Arriving = Callable[[FloatArray], None]
"""Called with all that has come in so far, shape ``(frames, channels)``; what it is given may not
be changed."""


BUFFERS_S = (0.01, 0.02, 0.04, 0.08)
"""Buffer asked of each direction, the next larger after a drop-out (chosen: 80 ms is what a busy
computer with a USB interface can hold). What the output holds is thrown away at a stop."""


class Conversation(Protocol):
    """What a backend asks of whoever talks and listens; neither method may raise."""

    def fill(self, block: FloatArray) -> bool:
        """Write the next samples, shape ``(frames,)``; True once the last has been written."""
        ...

    def hear(self, block: FloatArray, *, dropped: bool, late_s: float | None = None) -> bool:
        """Take what was recorded, shape ``(frames, channels)``; True once no more is needed.

        ``dropped`` says that the audio system lost samples around this block, ``late_s`` by how
        much it came too late then.
        """
        ...

    def output_dropped(self, late_s: float | None = None) -> None:
        """Take note that the output ran dry, as it was called so much too late."""
        ...

    def when_halted(self, call: Callable[[], None]) -> None:
        """Have ``call`` run at once, in whatever thread that is, when silence is wanted."""
        ...

    def may_sound_s(self) -> float:
        """Return for how long after the halt sound may go on, in seconds."""
        ...

    def cut(self) -> None:
        """Take note that what the output still held was thrown away: it is silent now."""
        ...


class Backend(Protocol):
    """An audio system."""

    def devices(self) -> Sequence[AudioDevice]:
        """List the devices."""
        ...

    def check(self, route: Route) -> None:
        """Make sure that both devices take the rate and the channels; nothing sounds.

        Raises DeviceError.
        """
        ...

    def ease(self) -> None:
        """Give the audio system more time between blocks, after it has dropped some."""
        ...

    def use_buffer(self, buffer_s: float) -> None:
        """Ask for a buffer of this length, in seconds, in each direction from now on."""
        ...

    def buffer_s(self) -> float:
        """Return the length of the buffer that is asked for now, in seconds."""
        ...

    def stop_within_s(self) -> float:
        """Return how soon after a stop sound ends, in seconds, as exchanges so far have shown."""
        ...

    def exchange(self, route: Route, conversation: Conversation, tick: Callable[[], None]) -> None:
        """Play and record until ``hear`` returns True.

        What the output holds is thrown away after a halt where a fade would come too late.
        ``tick`` is called in the calling thread, every few hundredths of a second. Raises
        DeviceError when a device fails or goes away.
        """
        ...

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
        """Record only; return shape ``(frames, channels)``. Raises DeviceError.

        ``heard`` is called in the calling thread, every few hundredths of a second; ``dropped``
        in any thread, whenever the audio system has lost samples.
        """
        ...
