"""Ctrl-C while something sounds or is being kept: first the fade and the file, then the end."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
"""A closed terminal and a polite kill are treated like Ctrl-C: a recording is not lost."""


class Pending:
    """Whether the tester wants to stop."""

    wanted = False


@contextmanager
def deferred() -> Iterator[Pending]:
    """Note interrupts instead of raising them; raise KeyboardInterrupt once the block ends.

    Outside the main thread, where Python delivers no signals, it does nothing.
    """
    pending = Pending()
    if threading.current_thread() is not threading.main_thread():
        yield pending
        return

    def note(_number: int, _frame: FrameType | None) -> None:
        pending.wanted = True

    former = {number: signal.signal(number, note) for number in SIGNALS}
    try:
        yield pending
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
    if pending.wanted:
        raise KeyboardInterrupt


@contextmanager
def like_ctrl_c() -> Iterator[None]:
    """Raise KeyboardInterrupt on a polite kill or a closed terminal, as Ctrl-C does.

    A signal that the process was told to ignore, as by nohup, stays ignored. Outside the main
    thread it does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    former = {
        number: signal.signal(number, interrupt)
        for number in SIGNALS
        if signal.getsignal(number) is signal.SIG_DFL
    }
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
