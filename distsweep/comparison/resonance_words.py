"""Sentences on resonances of two results: what changed, what did not, what cannot be told."""

from __future__ import annotations

from dataclasses import dataclass

from distsweep.comparison.record import ResonanceChange
from distsweep.words.wording import frequency, signed

_SPACE = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True)
class Circumstances:
    """What a sentence on a mode says besides its record.

    Attributes
    ----------
    follows_air : whether it may be the cabinet's or the port's air.
    temperatures_c : the air's on both sides; None where it was not noted.
    by_response : whether the response alone shows its shift, in the presence of reflections.
    compared, seen : whether curves were compared, and the mode stands out of their noise.
    is_listed : whether a search lists it on either side.
    response : whether that shows it, rather than the harmonics.
    """

    follows_air: bool
    temperatures_c: tuple[float | None, float | None]
    by_response: bool = False
    compared: bool = True
    seen: bool = True
    is_listed: bool = True
    response: bool = False


def sentence(change: ResonanceChange, around: Circumstances) -> str:
    """Write one sentence or two on a mode."""
    hz = change.frequency_hz if change.frequency_hz is not None else change.other_hz
    assert hz is not None
    name = f"{change.kind} resonance at {frequency(hz)}"
    if change.state == "moved":
        return _moved(f"The {name}", change, around)
    if change.state == "gone":
        return f"The {name} is gone: {_shown_by(around)} it in the first measurement alone."
    if change.state == "new":
        return f"The {name} is new: {_shown_by(around)} it in the other measurement alone."
    if change.state == "same":
        return _same(f"The {name}", change, around)
    return _cannot_tell(f"the {name}", change, around)


def _shown_by(around: Circumstances) -> str:
    return "the response shows" if around.response else "harmonics show"


def _moved(name: str, change: ResonanceChange, around: Circumstances) -> str:
    assert change.change_percent is not None and change.other_hz is not None
    way = "higher" if change.change_percent > 0.0 else "lower"
    size = signed(abs(change.change_percent))
    text = f"{name} lies {size}{_SPACE}% {way}, at {frequency(change.other_hz)}"
    text += f" (±{_half_width(change)}{_SPACE}%)"
    return f"{text}{_doubts(change, around)}."


def _same(name: str, change: ResonanceChange, around: Circumstances) -> str:
    text = f"{name} shows no difference that this measurement can see"
    if change.low_percent is not None and change.high_percent is not None:
        most = max(abs(change.low_percent), abs(change.high_percent))
        text += f" (under {_up(most)}{_SPACE}%{_warmth(change, around)})"
    if change.q is None or change.other_q is None:
        text += ": one search alone lists it, but the curves of both show it"
    return text + "."


def _cannot_tell(name: str, change: ResonanceChange, around: Circumstances) -> str:
    text = f"Whether {name} has changed cannot be told: "
    if not around.compared:
        return text + "no ladders of one position, one grid and common drives show it."
    if not around.seen:
        return text + "it does not stand clear of what noise leaves of both sides' curves."
    return text + "the curves of both do not show its frequency well enough."


def _doubts(change: ResonanceChange, around: Circumstances) -> str:
    """Return what a statement that a mode moved rests on, and what is not known."""
    text = _warmth(change, around)
    if not around.follows_air and None in around.temperatures_c:
        text += ", if the air was as warm both times"
    if around.by_response:
        text += ", if nothing in the room moved"
    if not around.is_listed:
        what = "responses" if change.kind == "radiated" else "harmonics"
        text += f": no search lists it, but the {what} show it"
    return text


def _warmth(change: ResonanceChange, around: Circumstances) -> str:
    if not around.follows_air:
        return ""
    first, other = around.temperatures_c
    if first is None or other is None:
        return ", the air's temperature not being noted"
    if first == other:
        return ""
    return f", the step from {first:g} to {other:g}{_SPACE}°C taken off"


def _half_width(change: ResonanceChange) -> str:
    assert change.low_percent is not None and change.high_percent is not None
    return _up(0.5 * (change.high_percent - change.low_percent))


def _up(percent: float) -> str:
    """Write a size with one decimal, rounded up."""
    return signed(max(int(10.0 * percent - 1e-6) + 1, 1) / 10.0)
