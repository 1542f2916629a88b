"""Reasons and sentences: every code that is made has a sentence, with the values it is made of."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest
from made_reasons import Made, reasons_made
from test_walls import PACKAGE, SOURCES

from distsweep.reason import Reason
from distsweep.words.limits import LIMITER_SENTENCES
from distsweep.words.resonance import SENTENCES as RESONANCE_SENTENCES
from distsweep.words.warnings import SENTENCES, warning_sentence

ROOMS = {
    "analysis/limits": LIMITER_SENTENCES,
    "analysis/resonance": RESONANCE_SENTENCES,
    "": SENTENCES,  # what any other room makes is a warning
}


def room_of(source: Path) -> str:
    folder = source.relative_to(PACKAGE).parent.as_posix()
    return folder if folder in ROOMS else ""


MADE = [(room_of(source), made) for source in SOURCES for made in reasons_made(source)]


@pytest.mark.parametrize(
    ("room", "made"), [pytest.param(*pair, id=f"{pair[1].place}-{pair[1].code}") for pair in MADE]
)
def test_every_reason_has_a_sentence_for_its_values(room: str, made: Made) -> None:
    signature = inspect.signature(ROOMS[room][made.code])
    bind = signature.bind_partial if made.open else signature.bind
    bind(**dict.fromkeys(made.names))


@pytest.mark.parametrize("room", ROOMS)
def test_every_sentence_belongs_to_a_reason(room: str) -> None:
    assert {made.code for at, made in MADE if at == room} == set(ROOMS[room])


def test_a_code_is_read_from_a_variable_or_a_parameter(tmp_path: Path) -> None:
    source = tmp_path / "source.py"
    source.write_text(
        """
def between(flag):
    code = "a" if flag else "b"
    return Reason(code, low_db=1.0)
def sag(code, more):
    return Reason(code, seen_db=1.0, **more)
one, other = sag("c", {}), sag("d", {})
three = Reason("e")
""",
        encoding="utf-8",
    )
    made = {one.code: (set(one.names), one.open) for one in reasons_made(source)}
    sagged = {"seen_db"}, True
    low = {"low_db"}, False
    assert made == {"a": low, "b": low, "c": sagged, "d": sagged, "e": (set(), False)}


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
            Reason("coarse_steps", drives_dbfs=[-36.0, -24.0], steps=2),
            "The rungs at −36, −24 dBFS are few of the recording's own steps high (2 at the"
            " least), and its silence holds less noise than one step: what rounding adds there"
            " looks like distortion, and no interval counts it. Record in 24 bits, or raise the"
            " input gain.",
        ),
        (
            Reason("passes_differ", drive_dbfs=-36.0, passes=2),
            "The 2 passes of the repeated first rung that are averaged differ by more than the"
            " noise (a knock, a gain that was moved, samples that were lost?), which widens the"
            " intervals there. Measure again; of three repeats or more, one that is unlike the"
            " others is left out.",
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
