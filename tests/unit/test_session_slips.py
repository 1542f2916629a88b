"""Slips in [[positions]] and [[takes]]: each is refused with what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from distsweep.errors import InputError
from distsweep.takes.session import read_session

POSITION = '[[positions]]\nposition = "axis"\n'
TAKE = '[[takes]]\nposition = "axis"\nstimulus = "a.json"\nrecording = "a.wav"\n'
QUIET = '[[takes]]\nkind = "background"\nposition = "tweeter"\nstate = "on"\nrecording = '

SLIPS = {
    "a take's key in a position": (POSITION + 'stimulus = "a.json"', r'write stimuli = \["NAME'),
    "levels as a list": (
        f'{POSITION}stimuli = ["a.json"]\nlevels_spl = [70, 75]',
        r'levels_spl is \[70, 75\]: must be a text, such as "70 to 95 by 5"',
    ),
    "nothing recorded yet": (f'{POSITION}stimuli = ["a.json"]', "'distsweep capture' records"),
    "one file as two placements": (
        f"{TAKE}placement = 1\n{TAKE}placement = 2",
        "'a.wav' for two placements: each has its own",
    ),
    "one background twice": (f'{QUIET}["b.wav", "b.wav"]', r"'b\.wav' twice"),
}


@pytest.mark.parametrize(("text", "message"), SLIPS.values(), ids=SLIPS)
def test_slips_are_refused_with_what_to_write(text: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(text)
    with pytest.raises(InputError, match=message):
        read_session(tmp_path)


def test_one_recording_serves_several_takes_that_are_not_placements(tmp_path: Path) -> None:
    """Runs and channels of one file, and takes of it without a placement, stay as they were."""
    (tmp_path / "session.toml").write_text(
        f"{TAKE}placement = 1\n{TAKE}placement = 2\nnumber = 2\n{TAKE}{TAKE}"
    )
    assert len(read_session(tmp_path).takes) == 4
