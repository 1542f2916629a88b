"""Audio drivers that hang: they may not hold up what plays and records."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

CLOSING_S = 2.0
"""Longest wait for a driver to close; then it is left behind (chosen)."""


def close_streams(streams: Sequence[Any]) -> None:
    """Close streams, in a thread of its own: some drivers never return from it."""

    def close() -> None:
        for stream in streams:
            with suppress(Exception):  # a device that is gone cannot be closed any better
                stream.abort(ignore_errors=True)
                stream.close(ignore_errors=True)

    closing = threading.Thread(target=close, daemon=True)
    closing.start()
    closing.join(CLOSING_S)
