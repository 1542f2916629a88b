"""This computer's audio system, and the device in it that the command line names."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.capture.backend import AudioDevice, Backend
from distsweep.capture.portaudio import PortAudio
from distsweep.errors import DeviceError, InputError


def open_backend() -> Backend:
    """Return the audio system of this computer.

    Raises
    ------
    DeviceError
        The PortAudio library is missing.
    """
    return PortAudio()


def choose_device(devices: Sequence[AudioDevice], wanted: str, *, kind: str) -> AudioDevice:
    """Find a device by its number in ``distsweep devices``, its name, or a part of it.

    Parameters
    ----------
    kind : "input" or "output"; devices without such channels are passed over.

    Raises
    ------
    DeviceError
        There is no such device.
    InputError
        Several devices match; the message names them.
    """
    suitable = [d for d in devices if (d.inputs if kind == "input" else d.outputs) > 0]
    if wanted.isdecimal():
        matching = [d for d in suitable if d.index == int(wanted)]
    else:
        matching = [d for d in suitable if d.name == wanted] or [
            d for d in suitable if wanted.lower() in d.name.lower()
        ]
    if not matching:
        raise DeviceError(
            f"there is no {kind} device {wanted!r}: 'distsweep devices' lists those there are"
        )
    if len(matching) > 1:
        names = ", ".join(f"{d.index} {d.name!r} ({d.host})" for d in matching)
        raise InputError(f"{kind} device {wanted!r} fits several: give the number; {names}")
    return matching[0]
