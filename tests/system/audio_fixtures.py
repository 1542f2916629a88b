"""Fixtures over ``own_server``; a test module takes them by ``pytest_plugins``.

They do not stand in a conftest.py: tests import names of the one above by the name ``conftest``,
and a second file of that name would be found in its place.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from own_server import AudioServer, running_server
from rig import Rig


@pytest.fixture(scope="session")
def audio_server() -> Iterator[AudioServer]:
    """A running audio server with the null sinks "spk" and "mic"; see ``own_server``."""
    with running_server() as server:
        yield server


@pytest.fixture
def rig(audio_server: AudioServer, tmp_path: Path) -> Iterator[Rig]:
    """A rig on that server, whose loudspeaker a test starts; see ``rig``."""
    made = Rig(audio_server, tmp_path / "rig")
    yield made
    made.stop_monitor()
    made.stop_loudspeaker()
