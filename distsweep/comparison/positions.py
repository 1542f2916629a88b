"""Which takes of two results are held against each other, and which are left out."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.errors import InputError
from distsweep.results import AXIS, BACKGROUND, Results, Take, first_take
from distsweep.words import conditions as words

LADDER, STAIRCASE = "ladder", "staircase"


def common_ladders(first: Results, other: Results) -> list[tuple[Take, Take]]:
    """Return both sides' ladders at each position that both have, "axis" first.

    Of several at one position it is the first complete one.
    """
    pairs = []
    for position in positions_of(first, LADDER):
        ours = first_take(first.takes, position, kind=LADDER)
        theirs = first_take(other.takes, position, kind=LADDER)
        if ours is not None and theirs is not None and ours.rungs and theirs.rungs:
            pairs.append((ours, theirs))
    return pairs


def positions_of(results: Results, kind: str) -> list[str]:
    """Return the positions that have a take of a kind, each once: "axis" first, then in order.

    A ladder without rungs is none.
    """
    found = dict.fromkeys(
        take.position
        for take in results.takes
        if take.kind == kind and (take.rungs or kind != LADDER)
    )
    return sorted(found, key=lambda position: position != AXIS)


def repeated_ladders(results: Results, position: str) -> list[Take]:
    """Return the complete ladders at a position of one stimulus and, where counted, one placement.

    Two or more say how well the measurement repeats: of placements that were not counted, the
    microphone's place included as far as it was placed anew.
    """
    compared = first_take(results.takes, position, kind=LADDER)
    return [
        take
        for take in results.takes
        if compared is not None
        and not take.partial
        and (take.position, take.kind, take.stimulus) == (position, LADDER, compared.stimulus)
        and take.placement == compared.placement
    ]


def check_common(results: Sequence[Results], names: Sequence[str]) -> None:
    """Refuse results that have no ladder at a position of the first's.

    Raises
    ------
    InputError
        There are such; the message names the positions on both sides.
    """
    for other, name in zip(results[1:], names[1:], strict=True):
        if not common_ladders(results[0], other):
            sides = [(names[0], results[0]), (name, other)]
            raise InputError(
                words.nothing_common([(who, positions_of(has, LADDER)) for who, has in sides])
            )


def left_out(results: Sequence[Results], names: Sequence[str]) -> list[str]:
    """Return sentences on the positions and kinds of take that are not compared."""
    where = {
        kind: _names_by_position(results, names, kind) for kind in (LADDER, STAIRCASE, BACKGROUND)
    }
    together: dict[tuple[str, ...], list[str]] = {}
    for position, has in where[LADDER].items():
        together.setdefault(tuple(has), []).append(position)
    sentences = []
    for having, positions in together.items():
        lacks = [name for name in names if name not in having]
        if lacks:
            sentences.append(words.positions_missing(positions, having, lacks, first=names[0]))
    sentences += [words.staircase_left_out(*one) for one in where[STAIRCASE].items()]
    sentences += [words.background_left_out(*one) for one in where[BACKGROUND].items()]
    for one, name in zip(results, names, strict=True):
        for position in positions_of(one, LADDER):
            count = sum(t.position == position and t.kind == LADDER for t in one.takes)
            if count > 1:
                sentences.append(words.several_ladders(name, position, count))
    return sentences


def _names_by_position(
    results: Sequence[Results], names: Sequence[str], kind: str
) -> dict[str, list[str]]:
    """Return who has a take of a kind at each position."""
    having: dict[str, list[str]] = {}
    for name, one in zip(names, results, strict=True):
        for position in positions_of(one, kind):
            having.setdefault(position, []).append(name)
    return having
