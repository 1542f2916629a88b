"""Ctrl-C while something sounds or is being kept: first silence and the file, then the end."""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
"""A closed terminal and a polite kill are treated like Ctrl-C: a recording is not lost."""

LISTENER_ENDS_S = 1.0
"""Longest wait for the end of the thread that listens for signals (chosen)."""


class Pending:
    """Whether the tester wants to stop, and what is to happen at once when that comes."""

    def __init__(self) -> None:
        """Nothing is wanted yet."""
        self.wanted = False
        self._at_once: Callable[[], None] | None = None

    def at_once(self, call: Callable[[], None]) -> None:
        """Have ``call`` run as soon as a stop is wanted, in whatever thread hears of it first.

        It may run more than once, and may not block.
        """
        self._at_once = call
        if self.wanted:
            call()

    def want(self) -> None:
        """Note that a stop is wanted."""
        self.wanted = True
        if self._at_once is not None:
            self._at_once()


@contextmanager
def deferred() -> Iterator[Pending]:
    """Note interrupts instead of raising them; raise KeyboardInterrupt once the block ends.

    Python runs signal handlers in the main thread only, between two of its instructions: never
    while that waits in a C function. So a thread listens as well, on the socket that Python's
    own handler writes every signal's number to. Outside the main thread, where Python delivers
    no signals, nothing is done.
    """
    pending = Pending()
    if threading.current_thread() is not threading.main_thread():
        yield pending
        return

    def note(_number: int, _frame: FrameType | None) -> None:
        pending.want()

    ours, theirs = socket.socketpair()
    theirs.setblocking(False)
    listener = threading.Thread(target=_listen, args=(ours, pending), daemon=True)
    listener.start()
    former_fd = signal.set_wakeup_fd(theirs.fileno(), warn_on_full_buffer=False)
    former = {number: signal.signal(number, note) for number in SIGNALS}
    try:
        yield pending
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(former_fd)
        theirs.close()  # ends the listener
        listener.join(LISTENER_ENDS_S)
        ours.close()
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


def _listen(ours: socket.socket, pending: Pending) -> None:
    """Pass signals on until the other end is closed."""
    with suppress(OSError):
        while numbers := ours.recv(16):
            if any(number in SIGNALS for number in numbers):
                pending.want()
