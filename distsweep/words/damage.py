"""Sentences on what happened to a recording: what, when, in which rung, and what comes of it.

Several of one kind are summed up in one sentence; results keep each with a sentence of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.results import Damage, Rung
from distsweep.words import wording

_LASTING_S = 0.05
"""What is shorter is said to be at one time (chosen: times are written to a tenth of a second)."""

_NAMES = {
    "click": ("a click", "clicks"),
    "knock": ("a knock", "knocks"),
    "noise": ("a noise that the silence does not hold", "noises that the silence does not hold"),
    "muted": ("a block of {samples}muted samples", "blocks of {samples}muted samples"),
    "repeated": (
        "a block of {samples}samples that comes twice",
        "blocks of {samples}samples that come twice",
    ),
    "lost": ("a gap of {samples}lost samples", "gaps of {samples}lost samples"),
    "gain_step": ("a step of the recorder's gain{by}", "steps of the recorder's gain{by}"),
    "automatic_gain": ("automatic gain in the recorder", "stretches of automatic gain"),
    "clipped": ("a top cut flat below full scale", "tops cut flat below full scale"),
    "dc_step": ("a step of direct current", "steps of direct current"),
    "hum": ("hum that comes or goes", "stretches of hum that comes or goes"),
    "clock": ("a clock that wanders", "stretches of a clock that wanders"),
    "lossy": ("lossy coding", "stretches of lossy coding"),
}
"""By kind: one, and several."""

_IN_A_CELL = {
    "repeated": "repeated block",
    "muted": "muted block",
    "lost": "lost block",
    "clipped": "clipped below full scale",
    "dc_step": "step of direct current",
    "clock": "wandering clock",
    "lossy": "lossy coding",
}
"""Names for tables and figures, where a kind's own name with blanks does not do."""

_ENDS = {
    "automatic_gain": "what follows the level there is the recorder's doing, and no limiter or gain"
    " change of the loudspeaker can be told from it",
    "clock": "when something arrives in it is the clock's doing as well as the loudspeaker's",
    "clipped": "something before the recorder's converter clipped, and nothing that it fell on is"
    " called reliable",
    "gain_step": "it is no limiter of the loudspeaker's",
    "lossy": "a coder leaves out what it holds to be masked, so that no weak harmonic is reliable,"
    " and each may be as high as it would have hidden",
}
"""What comes of kinds that do more than blur the values they touch."""

_TAKEN_OUT = ("gain_step", "automatic_gain", "dc_step", "hum", "clock")
"""Kinds that leave no hole: where they were put right, nothing had to be bridged."""

_MOVED = ("lost", "repeated")
"""Kinds behind which everything comes early or late."""


def damage_sentence(damage: Damage, rungs: Sequence[Rung] = ()) -> str:
    """Say what happened, when, to which of the take's rungs, and what was done about it."""
    return _sentence([damage], rungs, recording=damage.recording)


def damage_sentences(damage: Sequence[Damage], rungs: Sequence[Rung] = ()) -> list[str]:
    """Say what happened to a take, in one sentence a kind and recording.

    A recording is named where there are several.
    """
    several = in_several(damage)
    return [
        _sentence(group, rungs, recording=group[0].recording if several else "")
        for group in groups(damage)
    ]


def in_several(damage: Sequence[Damage]) -> bool:
    """Tell whether damage is in several recordings; one without a name is in any of them."""
    return len({one.recording for one in damage if one.recording}) > 1


def groups(damage: Sequence[Damage], *, by_rung: bool = False) -> list[list[Damage]]:
    """Return damages of one kind in one recording together, in order of time.

    Those that fell into no rung are apart from others, and with ``by_rung`` those of each rung.
    """
    several = in_several(damage)
    found: dict[tuple[str, str, int | bool | None], list[Damage]] = {}
    for one in sorted(damage, key=lambda one: one.start_s):
        rung = one.rung if by_rung else one.rung is None
        name = one.recording if several else ""
        found.setdefault((name, one.kind, rung), []).append(one)
    return list(found.values())


def spoils_values(damage: Damage) -> bool:
    """Tell whether any value may be another because of it."""
    return damage.low_hz is not None or damage.kind in _ENDS


def kind_name(kind: str) -> str:
    """Name a kind in a word or two, "lost block"."""
    return _IN_A_CELL.get(kind, kind.replace("_", " "))


def what_words(group: Sequence[Damage]) -> str:
    """Name what happened, how often, and how large it is: "2 gaps of 64 to 512 lost samples"."""
    kind = group[0].kind
    if kind not in _NAMES:
        return kind_name(kind) if len(group) == 1 else f"{len(group)} × {kind_name(kind)}"
    one, many = _NAMES[kind]
    name = one if len(group) == 1 else f"{len(group)} {many}"
    samples, step = size_words(group, "samples"), size_words(group, "change_db")
    return name.format(
        samples=f"{samples} " if samples else "",
        by=f" by {wording.with_unit(step, 'dB')}" if step else "",
    )


def size_words(group: Sequence[Damage], name: str) -> str:
    """Write the ends of what ``name`` (``samples`` or ``change_db``) says; "" where it is None."""
    sizes = sorted(size for one in group if (size := getattr(one, name)) is not None)
    write = str if name == "samples" else wording.with_sign
    return " to ".join(dict.fromkeys(write(size) for size in (*sizes[:1], *sizes[-1:])))


def time_words(group: Sequence[Damage]) -> str:
    """Write when it happened: "at 12.3 s", "from 1.0 to 2.5 s", "between 01:02.0 and 01:07.9"."""
    start_s, end_s = min(one.start_s for one in group), max(one.end_s for one in group)
    if end_s - start_s < _LASTING_S:
        return f"at {_clock(start_s)}"
    if round(end_s, 1) < 60.0:
        first, last = f"{start_s:.1f}", _clock(end_s)
    else:
        first, last = _minutes(start_s), _minutes(end_s)
    if len(group) > 1:
        return f"between {first} and {last}"
    if group[0].kind == "lost":  # which leaves no sample: it is known to lie within
        return f"somewhere between {first} and {last}"
    return f"from {first} to {last}"


def _clock(seconds: float) -> str:
    """Write a time in seconds; from a minute on in minutes and seconds."""
    if round(seconds, 1) < 60.0:
        return wording.with_unit(f"{seconds:.1f}", "s")
    return _minutes(seconds)


def _minutes(seconds: float) -> str:
    minutes, tenths = divmod(round(10.0 * seconds), 600)
    return f"{minutes:02d}:{tenths // 10:02d}.{tenths % 10}"


def rung_words(group: Sequence[Damage], rungs: Sequence[Rung]) -> str:
    """Name the rungs it fell into, "rungs at −10 and −4 dBFS"; nothing where it fell into none."""
    numbers = sorted({one.rung for one in group if one.rung is not None})
    if not numbers or numbers[-1] >= len(rungs):
        return ""
    drives = [wording.plain(rungs[number].drive_dbfs) for number in numbers]
    many = "s" if len(drives) > 1 else ""
    return f"rung{many} at {wording.with_unit(wording.listed(drives), 'dBFS')}"


def frequency_words(group: Sequence[Damage]) -> str:
    """Write the played frequencies that it touches, "62 Hz to 71 Hz"; nothing where it does not."""
    low_hz = min((one.low_hz for one in group if one.low_hz is not None), default=None)
    high_hz = max((one.high_hz for one in group if one.high_hz is not None), default=None)
    if low_hz is None or high_hz is None:
        return ""
    ends = dict.fromkeys(wording.frequency(end) for end in (low_hz, high_hz))
    return " to ".join(ends)


def done_words(group: Sequence[Damage]) -> str:
    """Say what was done about it: that it was bridged, that intervals hold it, what it forbids."""
    kind, bridged = group[0].kind, sum(one.bridged for one in group)
    parts = []
    if bridged:
        parts += ["what follows was put back in its time"] * (kind in _MOVED)
        nothing_there = kind in _MOVED and not frequency_words(group)
        parts.append(
            "no value is touched" if nothing_there else _bridged(bridged, len(group), kind)
        )
    if bridged < len(group):
        touched = frequency_words([one for one in group if not one.bridged])
        held = (
            "the intervals there are wide enough for what may have changed"
            if touched
            else "no value is touched"
        )
        parts.append(("for the others, " if bridged else "") + _ENDS.get(kind, held))
    return "; ".join(parts)


def _bridged(count: int, of: int, kind: str) -> str:
    who = "it was" if of == 1 else "they were"
    if count < of:
        who = f"{count} of them {'was' if count == 1 else 'were'}"
    if kind in _TAKEN_OUT:
        return f"{who} taken out"
    return f"{who} bridged by what the harmonics around {'it' if count == 1 else 'them'} say"


def damage_phrase(
    group: Sequence[Damage], rungs: Sequence[Rung] = (), *, recording: str = ""
) -> str:
    """Name damages of one kind, with time and rungs: "9 clicks between 3.0 and 6.2 s in …"."""
    when = "" if group[0].kind == "lossy" else f" {time_words(group)}"
    file = f" of {recording}" if recording else ""
    named = rung_words(group, rungs)
    return f"{what_words(group)}{when}{file}{f' in the {named}' if named else ''}"


def _sentence(group: Sequence[Damage], rungs: Sequence[Rung], *, recording: str) -> str:
    """Say of one damage, or of several of one kind, what, when, where, and what comes of it."""
    phrase = damage_phrase(group, rungs, recording=recording)
    text = f"{phrase[:1].upper()}{phrase[1:]}"
    if touched := frequency_words(group):
        frequencies = f"frequencies within {touched} were" if len(group) > 1 else f"{touched} was"
        text += f", where {frequencies} played"
    return f"{text}: {done_words(group)}{_whose(group, rungs)}."


def _whose(group: Sequence[Damage], rungs: Sequence[Rung]) -> str:
    """Say whose an impulse is, as far as that is known.

    What comes again at the same frequency in louder rungs is the loudspeaker's, and no damage;
    above the highest drive there is no rung that could show it.
    """
    numbers = {one.rung for one in group}
    if group[0].kind not in ("click", "knock") or None in numbers or not rungs:
        return ""
    loudest = max(range(len(rungs)), key=lambda number: rungs[number].drive_dbfs)
    theirs = "; as no louder rung has {}, {} the room's or the recorder's"
    if loudest not in numbers:
        return theirs.format(*(("it", "it is") if len(group) == 1 else ("them", "they are")))
    which = "it is" if len(group) == 1 else "they are"
    told = ""
    if len(numbers) > 1:
        told, which = theirs.format("them", "those at lower drives are"), "the others are"
    return f"{told}; whether {which} the loudspeaker's, no louder rung can tell"
