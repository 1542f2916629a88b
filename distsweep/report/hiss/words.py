"""Sentences on hiss: how loud, from how many pairs, and how far it is heard."""

from __future__ import annotations

import math

import numpy as np

from distsweep.results import Hiss, Results, Take
from distsweep.words import wording


def hissing(results: Results) -> list[Take]:
    """Return takes of the background with the loudspeaker on, whose hiss was found."""
    return [take for take in results.takes if take.hiss is not None]


def a_weighted_unit(take: Take) -> str:
    """Unit of A-weighted levels."""
    return "dB(A)" if wording.level_unit(take) == "dB SPL" else "dBFS (A-weighted)"


def level_words(take: Take, hiss: Hiss) -> str:
    """Write the A-weighted level as far as it is known: "29.3 dB(A)", "at most 24 dB(A)"."""
    unit = a_weighted_unit(take)
    if hiss.high_db is None:
        return "not known"
    if hiss.low_db is None or hiss.a_weighted_db is None:
        return f"at most {wording.decibels(math.ceil(hiss.high_db - 1e-6), unit, 0)}"
    places = wording.known_places((hiss.high_db - hiss.low_db) / 2.0)
    about = "" if places else "about "
    return f"{about}{wording.decibels(hiss.a_weighted_db, unit, places)}"


def level_sentence(take: Take, hiss: Hiss) -> str:
    """Say how loud the loudspeaker alone is at the microphone, and from how many pairs."""
    text = f"The loudspeaker alone: {_level_there(take, hiss)}"
    if hiss.pairs < 3:
        pairs = {1: "From one pair", 2: "From two pairs"}.get(hiss.pairs, "Without pairs")
        return (
            f"{text}. {pairs} only an upper end is known, the level of the quietest recording with"
            " the loudspeaker on: record three pairs or more, better five."
        )
    text += f", from {hiss.pairs} pairs of recordings with it on and off"
    if hiss.low_db is None or hiss.high_db is None:
        return (
            f"{text}. The background changed by more from one to the next than the loudspeaker"
            " adds: measure nearer, at a quieter time, or more pairs."
        )
    low, high = wording.signed(hiss.low_db), wording.signed(hiss.high_db)
    if low == high:
        return f"{text}, which leave it known within {wording.decibels(0.1)} (95 %)."
    ends = wording.with_unit(f"{low} to {high}", a_weighted_unit(take))
    return f"{text}; the 95 % interval is {ends}."


def reach_sentence(hiss: Hiss) -> str | None:
    """Say up to where the direct sound is heard, and what hides it beyond; None if not known."""
    if hiss.audible_to_high_m is None:
        return None
    hidden = (
        "the room's own noise is as loud"
        if hiss.hidden_by == "room"
        else "it falls below the threshold of hearing"
    )
    if hiss.audible_to_m is None or hiss.audible_to_low_m is None:
        far = rounded(hiss.audible_to_high_m, up=True)
        return f"It is heard no farther than {far}: farther away {hidden}."
    at = "" if hiss.heard_at_hz is None else f", by the third of an octave at {_hz(hiss)}"
    there = " there" if hiss.hidden_by == "room" and at else ""
    return (
        f"It is heard up to about {rounded(hiss.audible_to_m)} in this room"
        f" ({_between(hiss)}){at}; farther away {hidden}{there}.{_nearer(hiss)}"
    )


def silence_sentence(hiss: Hiss) -> str | None:
    """Say how far it would be heard without the room's noise, where that makes a difference."""
    reach_m, high_m = hiss.audible_in_silence_m, hiss.audible_in_silence_high_m
    if hiss.hidden_by != "room" or (reach_m is None and high_m is None):
        return None
    if reach_m is not None:
        far = f"up to about {rounded(reach_m)}"
    else:
        assert high_m is not None  # one of both is there
        far = f"no farther than {rounded(high_m, up=True)}"
    return (
        f"Were the room silent, it would be heard {far}: what the microphone takes for the room's"
        " noise may be its own, which nobody hears."
    )


def listener_sentence(take: Take, hiss: Hiss) -> str | None:
    """Say what it comes to at the listener's place; None where that is not known."""
    listener_m, high_db = hiss.listener_distance_m, hiss.at_listener_high_db
    if listener_m is None or high_db is None or hiss.audible_to_high_m is None:
        return None
    level = _carried(take, hiss, hiss.at_listener_db, high_db)
    heard = {
        "heard": "it is heard there",
        "perhaps": "it may be heard there",
        "hidden": "the room's own noise hides it there",
        "not heard": "it is not heard there",
    }[at_listener(hiss)]
    return f"At the listener's {distance(listener_m)} the direct sound would be {level}: {heard}."


def one_metre_sentence(take: Take, hiss: Hiss) -> str | None:
    """Say what the direct sound would be at 1 m; None where no distance is known, or it is 1 m."""
    if hiss.at_1m_high_db is None or hiss.distance_m == 1.0:
        return None
    level = _carried(take, hiss, hiss.at_1m_db, hiss.at_1m_high_db)
    return f"Its direct sound at 1 m would be {level}."


def _carried(take: Take, hiss: Hiss, level_db: float | None, high_db: float) -> str:
    """Write a level at another distance than the microphone's."""
    if level_db is not None and hiss.low_db is not None:
        return wording.decibels(level_db, a_weighted_unit(take), 0)
    return f"at most {wording.decibels(math.ceil(high_db), a_weighted_unit(take), 0)}"


def at_listener(hiss: Hiss) -> str:
    """Return "heard", "perhaps" or "not heard", at the listener's place; "" where it is unknown.

    It is "hidden" where a quieter room, or a quieter microphone to tell the room by, might let it
    be heard.
    """
    listener_m, high_m = hiss.listener_distance_m, hiss.audible_to_high_m
    if listener_m is None or high_m is None:
        return ""
    if high_m < listener_m:
        silent_m = hiss.audible_in_silence_high_m
        return "hidden" if silent_m is not None and silent_m >= listener_m else "not heard"
    low_m = hiss.audible_to_low_m
    return "heard" if low_m is not None and low_m >= listener_m else "perhaps"


def room_sentence(hiss: Hiss) -> str | None:
    """Say where the room's noise was measured that the hiss is held against."""
    places = {
        "listener": "with it off at the listener's place",
        "axis": "with it off at the microphone's ordinary place",
        "ladder": "in the silences of the ladder on the axis, the loudspeaker on",
        "here": "with it off at the same place as the hiss",
    }
    if hiss.audible_to_high_m is None:
        return None
    if hiss.room_from not in places or not np.any(np.isfinite(hiss.room_db)):
        return "The room's own noise was not recorded: it is held against the threshold alone."
    return f"The room's own noise is that recorded {places[hiss.room_from]}."


def verdict_sentence(take: Take, hiss: Hiss) -> str:
    """Say in a few words how far the hiss is heard, or how loud it is where that is not known."""
    heard, high_m = at_listener(hiss), hiss.audible_to_high_m
    if high_m is None:
        return f"Hiss: {_level_there(take, hiss)}."
    listener = "" if hiss.listener_distance_m is None else distance(hiss.listener_distance_m)
    if heard == "heard":
        return f"Hiss: heard at the listener's {listener}."
    if heard == "perhaps" and hiss.audible_to_m is None:
        return f"Hiss: whether it is heard at the listener's {listener} is not known (noise)."
    here = " in this room" if hiss.hidden_by == "room" else ""  # in a quieter one it is, farther
    if hiss.audible_to_m is None:
        return f"Hiss: heard no farther than {rounded(high_m, up=True)}{here}."
    there = f", perhaps at the listener's {listener}" if heard == "perhaps" else ""
    return f"Hiss: heard up to about {rounded(hiss.audible_to_m)}{here}{there}."


def _level_there(take: Take, hiss: Hiss) -> str:
    at = "" if hiss.distance_m is None else f" at {distance(hiss.distance_m)}"
    return f"{level_words(take, hiss)}{at}"


def distance(metres: float) -> str:
    """Write a distance as given: "5 cm", "2.5 m"."""
    if metres < 1.0:
        return wording.with_unit(wording.as_given(100.0 * metres, 3), "cm")
    return wording.with_unit(wording.as_given(metres, 6 if metres >= 1000.0 else 3), "m")


def rounded(metres: float, *, up: bool = False) -> str:
    """Write a distance with one digit, two from 10 to 19: no more is known of it."""
    digits = math.floor(math.log10(max(metres, 1e-3)))
    first = metres / 10.0**digits
    step = 10.0**digits if first >= 2.0 else 10.0 ** (digits - 1)
    count = metres / step
    return distance(step * (math.ceil(count - 1e-9) if up else round(count)))


def _hz(hiss: Hiss) -> str:
    return "" if hiss.heard_at_hz is None else wording.frequency(hiss.heard_at_hz)


def _between(hiss: Hiss) -> str:
    low_m, high_m = hiss.audible_to_low_m, hiss.audible_to_high_m
    assert low_m is not None and high_m is not None  # the caller looked
    return f"95 %: {rounded(low_m)} to {rounded(high_m, up=True)}"


def _nearer(hiss: Hiss) -> str:
    """Say so where it is heard only nearer than it was measured."""
    if hiss.distance_m is None or hiss.audible_to_m is None or hiss.audible_to_m > hiss.distance_m:
        return ""
    return " That is nearer than it was measured at, where 1/r is hardly right."
