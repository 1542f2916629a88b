"""What a session's plan asks for: stays of the microphone at a position, and their takes."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from distsweep.errors import InputError
from distsweep.takes.session_plan import PlannedPosition


@dataclass(frozen=True)
class Step:
    """One take of a plan: a stimulus at a position, the microphone put there once.

    ``placement`` counts from 1. ``name`` is what the plan calls the stimulus.
    """

    planned: PlannedPosition
    placement: int
    stimulus: Path
    name: str

    @property
    def noted_placement(self) -> int | None:
        """What the take's table says of it; None where the microphone is put there once."""
        return self.placement if self.planned.placements > 1 else None


@dataclass(frozen=True)
class Stay:
    """Everything that is recorded while the microphone stays where it is.

    ``pairs`` are of the background, and recorded after the takes.
    """

    planned: PlannedPosition
    placement: int
    steps: tuple[Step, ...]
    pairs: int = 0

    @property
    def title(self) -> str:
        """The position's name, and which placement it is where there are several."""
        name, count = self.planned.position, self.planned.placements
        return name if count == 1 else f"{name}, placement {self.placement} of {count}"


@dataclass(frozen=True)
class Again:
    """What is to be recorded again: a position, one stimulus there, or one file of its take.

    ``number`` is of a rung or tone, from 1.
    """

    position: str
    stimulus: str | None = None
    number: int | None = None

    def means(self, step: Step) -> bool:
        """Tell whether a take is meant, whole or in part."""
        return step.planned.position == self.position and self.stimulus in (None, step.name)


def stays_of(folder: Path, positions: Iterable[PlannedPosition]) -> tuple[Stay, ...]:
    """Return the stays of a plan, in its order: each placement with all its stimuli.

    Background pairs are recorded in the last placement of their position.
    """
    stays = []
    for planned in positions:
        for placement in range(1, planned.placements + 1):
            steps = tuple(
                Step(planned, placement, path, _name(path, folder)) for path in planned.stimuli
            )
            last = placement == planned.placements
            stays.append(Stay(planned, placement, steps, planned.background_pairs if last else 0))
    return tuple(stays)


def narrowed(
    stays: Sequence[Stay], *, position: str | None, placement: int | None
) -> tuple[Stay, ...]:
    """Return only the stays at a position, or of one placement there; None: all.

    Raises
    ------
    InputError
        There is none.
    """
    named = tuple(
        stay
        for stay in stays
        if position in (None, stay.planned.position) and placement in (None, stay.placement)
    )
    if not named:
        counts = {stay.planned.position: stay.planned.placements for stay in stays}
        listed = ", ".join(
            name if placement is None else f"{name} (placements: {count})"
            for name, count in counts.items()
        )
        where = "" if position is None else f" {position!r}"
        which = "" if placement is None else f" with a placement {placement}"
        raise InputError(f"[[positions]] has no position{where}{which}: it has {listed}")
    return named


def check_pauses(stays: Sequence[Stay]) -> None:
    """Refuse several placements without a pause in which the microphone could be put back.

    Raises
    ------
    InputError
        There are some: what they have in common would be taken for reproducibility.
    """
    for before, stay in itertools.pairwise(stays):
        if stay.planned.position == before.planned.position:
            raise InputError(
                f"[[positions]] {stay.planned.position!r}: between placements the microphone is"
                " taken away and put back, and --placed leaves no pause for it: give --placement"
                " NUMBER with it, one at a time"
            )


def parse_again(text: str, stays: Sequence[Stay]) -> Again:
    """Read what is to be recorded again: ``axis``, ``axis:3`` or ``axis:three-tones.json:3``.

    Raises
    ------
    InputError
        There is no such position or stimulus, or a number could be of several stimuli.
    """
    positions = list(dict.fromkeys(stay.planned.position for stay in stays))
    meant_as = [name for name in positions if text == name or text.startswith(f"{name}:")]
    position = max(meant_as, key=len, default="")
    if not position:
        raise InputError(
            f"--again {text!r}: [[positions]] has {', '.join(positions)}: write POSITION,"
            " POSITION:NUMBER of a rung or tone, or POSITION:STIMULUS:NUMBER"
        )
    rest = text[len(position) + 1 :]
    names = list(dict.fromkeys(s.name for stay in stays for s in stay.steps if _at(s, position)))
    stimulus, _, number = rest.rpartition(":") if _is_number(rest) else (rest, "", "")
    if stimulus:
        meant = [name for name in names if stimulus in (name, Path(name).stem, Path(name).name)]
    else:
        meant = names
    if not meant or (number and len(meant) > 1):
        raise InputError(
            f"--again {text!r}: at {position!r} there {'are' if len(names) > 1 else 'is'}"
            f" {', '.join(names)}: name one, as in {position}:{names[0]}:{number or 1}"
            if names
            else f"--again {text!r}: no stimulus is played at {position!r}"
        )
    return Again(position, meant[0] if rest else None, int(number) if number else None)


def _at(step: Step, position: str) -> bool:
    return step.planned.position == position


def _is_number(rest: str) -> bool:
    return rest.rpartition(":")[2].isdecimal()


def _name(path: Path, folder: Path) -> str:
    """Return a stimulus's name as the plan has it, relative to the session."""
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.as_posix()
