"""Writing a recording down while it is being made: a process that is killed leaves it behind."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from types import TracebackType

from distsweep.capture.conversation import Conversation
from distsweep.capture.keeping import Reservation

WRITTEN_EVERY_S = 0.1
"""Interval at which a recording is written (chosen: so much is lost at most when the process is
killed)."""


class Journal:
    """Fills a reservation from a conversation's input, in a thread of its own.

    A disk that is slow then delays no stop. One that fails ends the writing: the whole
    recording is written once more when it is kept, and trouble is reported there.
    """

    def __init__(self, reservation: Reservation, columns: Sequence[int]) -> None:
        """Prepare; ``columns`` are the input channels kept, counted from 0."""
        self._reservation = reservation
        self._columns = list(columns)
        self._conversation: Conversation | None = None
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    def __enter__(self) -> Journal:
        """Begin."""
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End; the reservation is the caller's again."""
        self._done.set()
        self._thread.join()

    def beside(self, tick: Callable[[Conversation], None]) -> Callable[[Conversation], None]:
        """Return a ``tick`` for the gate that also tells the journal what is going on."""

        def both(conversation: Conversation) -> None:
            self._conversation = conversation
            tick(conversation)

        return both

    def _run(self) -> None:
        while not self._done.wait(WRITTEN_EVERY_S):
            conversation = self._conversation
            if conversation is None:
                continue
            first, last = self._reservation.written, conversation.count
            try:
                self._reservation.add(conversation.all_channels[first:last, self._columns])
            except OSError:
                return
