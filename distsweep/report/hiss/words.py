"""Sentences on hiss: how loud, from how many pairs, and how far it is heard."""

from __future__ import annotations

import math

import numpy as np

from distsweep.results import Hiss, Results, Take
from distsweep.words import wording

_AS_LOUD = "the room's own noise is as loud in"


def hissing(results: Results) -> list[Take]:
    """Return takes of the background with the loudspeaker on, whose hiss was found."""
    return [take for take in results.takes if take.hiss is not None]


def a_weighted_unit(take: Take) -> str:
    """Unit of A-weighted levels."""
    return "dB(A)" if wording.level_unit(take) == "dB SPL" else "dBFS, A-weighted"


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
    at = "" if hiss.distance_m is None else f" at {distance(hiss.distance_m)}"
    text = f"The loudspeaker alone: {level_words(take, hiss)}{at}"
    if hiss.pairs < 3:
        pairs = {1: "one pair", 2: "two pairs"}.get(hiss.pairs, "no pair")
        return (
            f"{text}. From {pairs} of recordings only an upper end is known, that of the quietest"
            " with the loudspeaker on: record three pairs or more, better five."
        )
    text += f", from {hiss.pairs} pairs of recordings with it on and off"
    if hiss.low_db is None or hiss.high_db is None:
        return (
            f"{text}. The background changed by more from one to the next than the loudspeaker"
            " adds: measure nearer, at a quieter time, or more pairs."
        )
    ends = f"{wording.signed(hiss.low_db)} to {wording.signed(hiss.high_db)}"
    return f"{text}; the 95 % interval is {wording.with_unit(ends, a_weighted_unit(take))}."


def reach_sentence(hiss: Hiss) -> str | None:
    """Say up to where the direct sound is heard, and what hides it beyond; None if not known."""
    if hiss.audible_to_high_m is None:
        return None
    by_room, most = hiss.hidden_by == "room", "the third of an octave where it stands out most"
    hidden = f"{_AS_LOUD} {most}" if by_room else "it falls below the threshold of hearing"
    if hiss.audible_to_m is None or hiss.audible_to_low_m is None:
        return f"It is heard no farther than {rounded(hiss.audible_to_high_m, up=True)}: {hidden}."
    at = ""
    if hiss.heard_at_hz is not None:
        at = f", by the third of an octave at {_hz(hiss)}"
        hidden = f"{_AS_LOUD} that third of an octave" if by_room else hidden
    return (
        f"It is heard up to about {rounded(hiss.audible_to_m)} in this room"
        f" ({_between(hiss)}){at}; farther away {hidden}.{_nearer(hiss)}"
    )


def silence_sentence(hiss: Hiss) -> str | None:
    """Say how far it would be heard without the room's noise, where that makes a difference."""
    if hiss.audible_in_silence_m is None or hiss.hidden_by != "room":
        return None
    return (
        f"Were the room silent, it would be heard up to about {rounded(hiss.audible_in_silence_m)}:"
        " what the microphone takes for the room's noise may be its own, which nobody hears."
    )


def listener_sentence(take: Take, hiss: Hiss) -> str | None:
    """Say what it comes to at the listener's place; None where that is not known."""
    listener_m, high_db = hiss.listener_distance_m, hiss.at_listener_high_db
    if listener_m is None or high_db is None or hiss.audible_to_high_m is None:
        return None
    level = f"at most {wording.decibels(math.ceil(high_db), a_weighted_unit(take), 0)}"
    if hiss.at_listener_db is not None and hiss.low_db is not None:
        level = wording.decibels(hiss.at_listener_db, a_weighted_unit(take), 0)
    heard = {"heard": "is heard", "perhaps": "may be heard", "not heard": "is not heard"}
    return (
        f"At the listener's {distance(listener_m)} the direct sound would be {level}: it"
        f" {heard[at_listener(hiss)]} there."
    )


def at_listener(hiss: Hiss) -> str:
    """Return "heard", "perhaps" or "not heard", at the listener's place; "" where it is unknown."""
    listener_m, high_m = hiss.listener_distance_m, hiss.audible_to_high_m
    if listener_m is None or high_m is None:
        return ""
    if high_m < listener_m:
        return "not heard"
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
    if hiss.room_from not in places or hiss.audible_to_high_m is None:
        return None
    if not np.any(np.isfinite(hiss.room_db)):
        return "The room's own noise is not known: it was not recorded with the loudspeaker off."
    return f"The room's own noise is that recorded {places[hiss.room_from]}."


def verdict_sentence(take: Take, hiss: Hiss) -> str | None:
    """Say in a line how far the hiss is heard, or how loud it is; None where nothing is known."""
    heard, high_m = at_listener(hiss), hiss.audible_to_high_m
    listener = "" if hiss.listener_distance_m is None else distance(hiss.listener_distance_m)
    if high_m is None:
        return None
    if heard == "heard":
        return f"Its hiss is heard at the listener's {listener}."
    if heard == "perhaps" and hiss.audible_to_m is None:
        return f"Whether its hiss is heard at the listener's {listener} cannot be told: room noise."
    if hiss.audible_to_m is None:
        return f"Its hiss is heard no farther than {rounded(high_m, up=True)} in this room."
    near = f"Its hiss is heard up to about {rounded(hiss.audible_to_m)} in this room"
    return f"{near}, perhaps at the listener's {listener}." if heard == "perhaps" else f"{near}."


def lead(take: Take, hiss: Hiss) -> str:
    """One line on a position: level, and how far it is heard."""
    at = "" if hiss.distance_m is None else f" at {distance(hiss.distance_m)}"
    reach = ""
    if hiss.audible_to_m is not None:
        reach = f", heard up to about {rounded(hiss.audible_to_m)}"
    elif hiss.audible_to_high_m is not None:
        reach = f", heard no farther than {rounded(hiss.audible_to_high_m, up=True)}"
    return f"{level_words(take, hiss)}{at}{reach}."


def distance(metres: float) -> str:
    """Write a distance as given: "5 cm", "2.5 m"."""
    if metres < 1.0:
        return wording.with_unit(wording.as_given(100.0 * metres, 3), "cm")
    return wording.with_unit(wording.as_given(metres, 3), "m")


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
