"""Whoever sits before the command line, and the whole command line run in this process.

``Person`` is the one place that knows how the program words its questions.
"""

from __future__ import annotations

import contextlib
import io
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from unittest import mock

from sound_world import World

from distsweep.capture import devices
from distsweep.cli import main

SPEECH_SPL_DB = 72.0
"""Up to this (highest 125 ms RMS) somebody calls a sweep about as loud as speech: raised
speech at a metre is 66 to 72 dB SPL."""


@dataclass(frozen=True)
class Question:
    """A question as it was asked.

    Attributes
    ----------
    kind : "level", "gain", "speech" or "unknown".
    answer : what was typed; "" declines.
    number_db : the level that was confirmed, for kind "level".
    loudest_before_spl_db : the highest level that had sounded by then, measured in the world.
    sent_samples_before : samples that had left by then, silent ones included.
    """

    kind: str
    answer: str
    number_db: float | None
    loudest_before_spl_db: float
    sent_samples_before: int


class Person(io.StringIO):
    """A terminal with an honest person, who reads the last line shown and answers it.

    Attributes
    ----------
    gain : where the input gain stands, as the person reads it off the knob.
    at_prompt : done once, while the person sits before the first question; or None.
    """

    def __init__(
        self, world: World, *, gain: str, at_prompt: Callable[[], None] | None = None
    ) -> None:
        super().__init__()
        self.questions: list[Question] = []
        self.shown: io.StringIO = io.StringIO()
        self._world = world
        self._gain = gain
        self._at_prompt = at_prompt
        self._read = 0

    def isatty(self) -> bool:
        return True

    def readline(self, size: int = -1, /) -> str:
        text = self.shown.getvalue()
        lines = [line for line in text[self._read :].splitlines() if line.strip()]
        self._read = len(text)
        question = self._asked(lines[-1] if lines else "")
        self.questions.append(question)
        if self._at_prompt is not None:
            self._at_prompt()
            self._at_prompt = None
        return question.answer + "\n"

    def _asked(self, prompt: str) -> Question:
        loudest_db = self._world.meter.highest_db()
        sent = self._world.sent_samples
        words = prompt.lower()
        typed = re.search(r"type\s+(-?\d+(?:\.\d+)?)", words)
        if "speech" in words:
            answer = "yes" if loudest_db <= SPEECH_SPL_DB else "no"
            return Question("speech", answer, None, loudest_db, sent)
        if typed:
            return Question("level", typed[1], float(typed[1]), loudest_db, sent)
        if "gain" in words:
            return Question("gain", self._gain, None, loudest_db, sent)
        return Question("unknown", "", None, loudest_db, sent)


@dataclass(frozen=True)
class Ran:
    """How a command line ended and what it said."""

    exit_code: int
    stderr: str


def run_command_line(world: World, arguments: list[str], person: Person | None) -> Ran:
    """Run ``distsweep`` as the console script does, with the world in PortAudio's place."""
    err = io.StringIO()
    stdin: io.StringIO = io.StringIO("")
    if person is not None:
        person.shown = err
        stdin = person
    code = 0
    with (
        mock.patch.object(devices, "open_backend", lambda: world),
        mock.patch.object(sys, "stdin", stdin),
        mock.patch.object(sys, "argv", ["distsweep", *arguments]),
        contextlib.redirect_stdout(io.StringIO()),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as done:
            code = done.code if isinstance(done.code, int) else 1
    return Ran(code, err.getvalue())
