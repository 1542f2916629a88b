"""Printing that cannot hold up what stops a sound: a thread of its own writes for each stream.

A terminal whose reader has stopped (Ctrl-S, a frozen window) takes some kilobytes, and then
blocks whoever writes; so does a pipe. Here only the printing thread waits for that.
"""

from __future__ import annotations

import os
import stat
import sys
import threading
import time
from collections import deque
from contextlib import suppress
from typing import Any, TextIO

import click

LAST_WORDS_S = 0.5
"""Longest wait at the end for a terminal to take what is still to be shown (chosen)."""

BAR_WIDTH = 30
"""Characters of a bar (chosen: a file's name stands beside it in 80 columns)."""

FULL_S = 0.01
"""A stream that must not be waited for (O_NONBLOCK) is tried again after this (chosen)."""


class Printer:
    """Shows lines on one stream, in order.

    What cannot block, a file or a buffer in memory, is written to at once.
    """

    def __init__(self, stream: TextIO) -> None:
        """Start the thread that writes to ``stream``."""
        self.stream = stream
        self._raw = _raw(stream)
        self._terminal = stream.isatty()  # as it is now: see _raw
        self._waiting: deque[str] = deque()
        self._changed = threading.Condition()
        self._writing = False
        self._live = False
        if self._raw is not None:
            threading.Thread(target=self._write_all, daemon=True).start()

    def tell(self, text: str) -> None:
        """Show a line that stays."""
        self._put(("\n" if self._live else "") + text + "\n")
        self._live = False

    def show(self, text: str) -> None:
        """Overwrite the live line; without a terminal there is none.

        It is left out while the stream has not taken what was shown before.
        """
        if self._terminal and not self._busy():
            self._put("\r\x1b[K" + text)
            self._live = True

    def ask(self, prompt: str) -> None:
        """Show a prompt, and wait until everything is shown: nobody answers what is hidden."""
        self._put(("\n" if self._live else "") + prompt)
        self._live = False
        self.flush(None)

    def flush(self, within_s: float | None) -> bool:
        """Wait until everything is written, but no longer than that; tell whether it is."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._busy(), within_s)

    def finish(self) -> bool:
        """Write what is left: a file or a pipe gets all of it, a terminal what it takes in time.

        Tell whether that was all.
        """
        return self.flush(LAST_WORDS_S if self._terminal else None)

    def _busy(self) -> bool:
        return self._writing or bool(self._waiting)

    def _put(self, text: str) -> None:
        if self._raw is None:
            click.echo(text, file=self.stream, nl=False)
            return
        with self._changed:
            self._waiting.append(text)
            self._changed.notify_all()

    def _write_all(self) -> None:
        """Write past Python's buffers: their lock, held here, would hang the process's end."""
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._waiting))
                text = self._waiting.popleft()
                self._writing = True
            with suppress(OSError, ValueError):  # the reader has gone
                self._write(text)
            with self._changed:
                self._writing = False
                self._changed.notify_all()

    def _write(self, text: str) -> None:
        data = text.encode(self.stream.encoding or "utf-8", errors="replace")
        while data:
            count = self._raw.write(data)
            if count is None:
                time.sleep(FULL_S)
            data = data[count or 0 :]


def _raw(stream: TextIO) -> Any:
    """Return a way of its own to where a stream leads, if that can block; else None.

    Of its own: what drivers print on stderr is led elsewhere while something sounds.
    """
    try:
        number = stream.fileno()
        if stat.S_ISREG(os.fstat(number).st_mode):
            return None
        return os.fdopen(os.dup(number), "wb", buffering=0)
    except (AttributeError, OSError, ValueError):  # a buffer in memory, or closed
        return None


_printers: dict[str, Printer] = {}


def printer(name: str = "stderr") -> Printer:
    """Return the printer of ``sys.stderr`` or ``sys.stdout``; it is made where there is none."""
    current = _current(name)
    if current is None:
        current = _printers[name] = Printer(getattr(sys, name))
    return current


def say(text: str) -> None:
    """Show a line on stderr, after what is waiting there."""
    current = _current("stderr")
    if current is None:
        click.echo(text, err=True)
    else:
        current.tell(text)


def show_share(name: str, share: float) -> None:
    """Show on a terminal how much of a file was gone through, as a bar; 1 ends the line."""
    live = printer()
    done = round(BAR_WIDTH * min(max(share, 0.0), 1.0))
    bar = "█" * done + "░" * (BAR_WIDTH - done)
    live.show(f"searching {name} {bar} {100.0 * share:3.0f} %")


def put_out(text: str) -> None:
    """Show a line on stdout, after what is waiting on stderr."""
    finish()
    printer("stdout").tell(text)


def finish() -> bool:
    """Write what is left, and tell whether that was all; nothing may hang: nobody may read."""
    current = [_current(name) for name in ("stderr", "stdout")]
    done = [printer.finish() for printer in current if printer is not None]
    return all(done)


def leave(code: int) -> None:
    """End the process, whether anybody reads or not.

    Where a terminal is full, libraries that print something last would hang: they are not
    asked. Everything that is to be kept is in its file by then.
    """
    if not finish():
        os._exit(code)
    sys.exit(code)


def _current(name: str) -> Printer | None:
    """Return a stream's printer, unless the stream has been replaced since it was made."""
    made = _printers.get(name)
    return made if made is not None and made.stream is getattr(sys, name) else None
