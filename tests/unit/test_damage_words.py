"""What is said of damage in a recording: every kind, times, rungs, and whose it is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from report_samples import sample_take

from distsweep.results import Damage
from distsweep.words.damage import damage_sentence, damage_sentences, groups, time_words

RUNGS = sample_take(points=5, levels_dbfs=(-16.0, -10.0, -4.0)).rungs
CLICK = Damage(
    "click", 12.31, 12.32, rung=1, low_hz=980.0, high_hz=1040.0, recording="axis.wav"
)  # fmt: skip
PLACE = "of axis.wav in the rung at −10 dBFS, where 980 Hz to 1.04 kHz was played:"
HELD = "the intervals there are wide enough for what may have changed"


def said(damage: Damage) -> str:
    return damage_sentence(damage, RUNGS).replace("\N{NO-BREAK SPACE}", " ")


BLOCK = {"samples": 512}
KINDS = {
    "click": ({}, "A click at", f"{HELD}; as no louder rung has it, it is the room's or"),
    "knock": ({}, "A knock at", f"{HELD}; as no louder rung has it, it is the room's or"),
    "noise": ({}, "A noise that the silence does not hold at", HELD),
    "muted": (BLOCK, "A block of 512 muted samples at", HELD),
    "repeated": (BLOCK, "A block of 512 samples that comes twice at", HELD),
    "lost": (BLOCK, "A gap of 512 lost samples at", HELD),
    "gain_step": (
        {"change_db": -3.0},
        "A step of the recorder's gain by −3.0 dB at",
        "it is no limiter of the loudspeaker's",
    ),
    "automatic_gain": (
        {},
        "Automatic gain in the recorder at",
        "no limiter or gain change of the loudspeaker can be told from it",
    ),
    "clipped": (
        {},
        "A top cut flat below full scale at",
        "something before the recorder's converter clipped",
    ),
    "dc_step": ({}, "A step of direct current at", HELD),
    "hum": ({}, "Hum that comes or goes at", HELD),
    "clock": ({}, "A clock that wanders at", "is the clock's doing as well as the loudspeaker's"),
    "lossy": ({}, "Lossy coding", "no weak harmonic is reliable"),
}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_sentence(kind: str) -> None:
    values, what, end = KINDS[kind]
    text = said(replace(CLICK, kind=kind, **values))
    assert text.startswith(what) and end in text and text.endswith(".")
    assert PLACE in text and ("12.3 s" in text) == (kind != "lossy")


def test_every_kind_that_the_record_names_is_asked_for() -> None:
    assert Damage.__doc__ is not None
    named = Damage.__doc__.partition("kind : ")[2].partition("start_s")[0]
    assert set(named.split('"')[1::2]) == set(KINDS)


@pytest.mark.parametrize(
    ("start_s", "end_s", "words"),
    [
        (3.14, 3.15, "at 3.1 s"),
        (3.14, 7.93, "from 3.1 to 7.9 s"),
        (59.97, 59.98, "at 01:00.0"),
        (58.0, 62.46, "from 00:58.0 to 01:02.5"),
        (6000.0, 6000.0, "at 100:00.0"),
    ],
)
def test_times_are_minutes_and_seconds_from_a_minute_on(start_s, end_s, words) -> None:
    assert time_words([Damage("hum", start_s, end_s)]).replace("\N{NO-BREAK SPACE}", " ") == words


def test_what_may_be_the_loudspeaker_s_is_not_called_another_s() -> None:
    """No rung is louder than the loudest, which could show an impulse again."""
    text = said(replace(CLICK, rung=2))
    assert "whether it is the loudspeaker's, no louder rung can tell" in text
    assert "room" not in text
    assert "room" not in said(replace(CLICK, rung=None))  # nothing to hold it against


def test_what_was_bridged_is_said_to_be() -> None:
    assert "it was bridged by what the harmonics around it say" in said(
        replace(CLICK, bridged=True)
    )
    lost = replace(CLICK, kind="lost", samples=64, bridged=True)
    assert "what follows was put back in its time; it was bridged" in said(lost)
    assert "it was taken out" in said(replace(CLICK, kind="gain_step", bridged=True))


def test_what_touches_no_frequency_says_so() -> None:
    pause = replace(CLICK, kind="lost", rung=None, low_hz=None, high_hz=None, samples=64)
    assert said(pause) == "A gap of 64 lost samples at 12.3 s of axis.wav: no value is touched."
    assert said(replace(pause, end_s=14.2, bridged=True)) == (
        "A gap of 64 lost samples somewhere between 12.3 and 14.2 s of axis.wav: what follows was"
        " put back in its time; no value is touched."
    )


def test_many_of_one_kind_are_one_sentence() -> None:
    clicks = [
        replace(CLICK, start_s=t, end_s=t, rung=k % 2, low_hz=100.0 * t, high_hz=110.0 * t)
        for k, t in enumerate((7.9, 3.1, 4.0))
    ]
    lost = replace(CLICK, kind="lost", start_s=5.0, end_s=5.0, samples=64)
    texts = damage_sentences([*clicks, lost, replace(lost, samples=256, bridged=True)], RUNGS)
    first, second = (text.replace("\N{NO-BREAK SPACE}", " ") for text in texts)
    assert first.startswith(
        "3 clicks between 3.1 and 7.9 s in the rungs at −16 and −10 dBFS, where"
        " frequencies within 310 Hz to 869 Hz were played: "
    )
    assert first.endswith("as no louder rung has them, they are the room's or the recorder's.")
    assert second.startswith("2 gaps of 64 to 256 lost samples at 5.0 s")
    assert "1 of them was bridged" in second and "for the others, the intervals" in second
    assert [len(group) for group in groups(clicks, by_rung=True)] == [1, 2]


def test_recordings_are_named_where_there_are_several() -> None:
    """What analysis finds bears no name; beside one that is named, it is in the same file."""
    unnamed = replace(CLICK, recording="", start_s=20.0, end_s=20.0)
    (one,) = damage_sentences([CLICK, unnamed], RUNGS)
    assert one.startswith("2 clicks") and "of" not in one.partition(":")[0]
    other = replace(CLICK, recording="back.wav")
    texts = damage_sentences([CLICK, unnamed, other], RUNGS)
    assert [name in text for name, text in zip(("axis.wav", "back.wav"), texts, strict=False)] == [
        True,
        True,
    ]
    assert len(texts) == 3 and ".wav" not in texts[2]


def test_of_impulses_in_several_rungs_those_below_the_loudest_are_told_apart() -> None:
    (text,) = damage_sentences([CLICK, replace(CLICK, rung=2)], RUNGS)
    assert "those at lower drives are the room's or the recorder's" in text
    assert text.endswith("whether the others are the loudspeaker's, no louder rung can tell.")


def test_a_kind_of_a_later_version_is_named() -> None:
    assert said(replace(CLICK, kind="cable_pulled")).startswith("Cable pulled at 12.3 s")
    assert said(replace(CLICK, kind="{rung")).startswith("{rung at 12.3 s")
    assert said(replace(CLICK, kind="")).endswith(f"{HELD}.")
