"""Fixtures of the tests that need more of the machine than Python."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from own_server import AudioServer, running_server


@pytest.fixture(scope="session")
def audio_server() -> Iterator[AudioServer]:
    """A running audio server with the null sinks "spk" and "mic"; see ``own_server``."""
    with running_server() as server:
        yield server
