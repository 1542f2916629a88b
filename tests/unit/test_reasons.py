"""Reasons and sentences: every code that is made has a sentence, with the values it is made of."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_walls import PACKAGE, SOURCES

from distsweep.reason import Reason
from distsweep.words.warnings import SENTENCES, warning_sentence

WARNERS = [
    source
    for source in SOURCES
    if source.parent.name == "takes"
    or source.relative_to(PACKAGE).as_posix() in ("analysis/ladder.py", "analysis/staircase.py")
]
"""Files whose reasons are warnings."""


def reasons_made(source: Path) -> Iterator[tuple[str, list[str], int]]:
    """Yield code, names of values, and line of every `Reason` that a source makes."""
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "Reason":
            (code,) = node.args
            assert isinstance(code, ast.Constant), f"{source.name}:{node.lineno}: no plain code"
            yield str(code.value), [str(word.arg) for word in node.keywords], node.lineno


MADE = [
    pytest.param(code, names, id=f"{source.stem}-{line}-{code}")
    for source in WARNERS
    for code, names, line in reasons_made(source)
]


@pytest.mark.parametrize(("code", "names"), MADE)
def test_every_warning_has_a_sentence_for_its_values(code: str, names: list[str]) -> None:
    inspect.signature(SENTENCES[code]).bind(**dict.fromkeys(names))


def test_every_sentence_belongs_to_a_warning() -> None:
    assert {parameter.values[0] for parameter in MADE} == set(SENTENCES)


INCOMPLETE = {"tone_hz": 300.0, "up_dbfs": [-20.0, -14.0, -8.0], "down_dbfs": [-14.0, -20.0]}


@pytest.mark.parametrize(
    ("reason", "sentence"),
    [
        (
            Reason("clock_drift", drift_ppm=-23.04, clocks_ppm=200.0, one_sweep=False),
            "Player and recorder ran on different clocks, −23.0 ppm apart; this was taken out.",
        ),
        (
            Reason("near_full_scale", recording="a.wav", peak=0.9999),
            "a.wav peaks at 0.00 dBFS: whether something before the recorder clipped cannot be"
            " told. Lower the input gain.",
        ),
        (
            Reason("not_come_back", change_db=-0.412),
            "The repeated first rung differs from the first by −0.41 dB: the loudspeaker is hot or"
            " hurt, or the gain was touched.",
        ),
        (
            Reason("incomplete", what="not_recorded", recording="a.wav", lost_up=[1, 2],
                   lost_down=[0], **INCOMPLETE),
            "a.wav: at 300 Hz 3 of 5 bursts were not recorded and are left out: −14 to −8 dBFS up,"
            " −14 dBFS down.",
        ),
        (
            Reason("incomplete", what="not_listed", lost_up=[0, 2], lost_down=[], **INCOMPLETE),
            "the sidecar lists no burst at 300 Hz for −20 dBFS up, −8 dBFS up, which its recipe"
            " asks for.",
        ),
        (
            Reason("silent_rungs", recordings=["a.wav", "b.wav", "b.wav"],
                   drives_dbfs=[-20.0, -14.0, -8.0]),
            "a.wav is silent where this stimulus has its rung at −20 dBFS; b.wav is silent where"
            " this stimulus has its rungs at −14, −8 dBFS, while others are clear: did the"
            " loudspeaker mute itself, or was another stimulus played?",
        ),
    ],
    ids=lambda value: value.code if isinstance(value, Reason) else "",
)  # fmt: skip
def test_values_stand_in_the_sentence(reason: Reason, sentence: str) -> None:
    assert warning_sentence(reason) == sentence
