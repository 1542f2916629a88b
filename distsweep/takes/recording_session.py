"""The session of a recording that is analysed without one."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from distsweep.results.session import Conditions, Device
from distsweep.takes.session import Session
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_takes import TakeEntry


def recording_session(
    recording: str | Path | Sequence[str | Path],
    *,
    stimulus: str | Path,
    channel: int | None = None,
    loopback_channel: int | None = None,
) -> Session:
    """Return the session of one recording (or one file a rung) that is analysed without one.

    Its take is called "axis", and every run of the stimulus in it counts; levels are in dBFS.
    ``channel`` is counted from 1; None: the first, or the one that holds the stimulus.
    ``loopback_channel`` is where the output was wired back to.
    """
    paths = [recording] if isinstance(recording, str | Path) else list(recording)
    entry = TakeEntry(
        "axis",
        Path(stimulus),
        tuple(Path(p) for p in paths),
        channel,
        loopback_channel=loopback_channel,
    )
    return Session(Path(), Device(), Conditions(), Calibration(), (entry,), every_run=True)
