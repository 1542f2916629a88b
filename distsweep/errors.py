"""The exceptions that become exit codes.

Every message is one line: what is wrong, where, and what to do about it.
"""

from __future__ import annotations


class DistsweepError(Exception):
    """Anything that distsweep reports in one line instead of a traceback."""

    exit_code = 3


class InputError(DistsweepError):
    """A file or a value that cannot be used (exit code 3)."""

    exit_code = 3


class NoSignalError(InputError):
    """A channel of a recording that is silent, or holds no markers: another one may."""


class SafetyRefusal(DistsweepError):  # noqa: N818 - a refusal is not an error of the program
    """Something that could hurt ears or equipment was asked for (exit code 4)."""

    exit_code = 4


class DeviceError(DistsweepError):
    """An audio device failed, or is not there (exit code 5)."""

    exit_code = 5
