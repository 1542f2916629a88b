"""A take's table in ``session.toml`` is changed in place; everything else stays as it was."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from distsweep.errors import InputError
from distsweep.takes.session_edit import retire_takes, rewrite_take

TEXT = """\
# my session
[[takes]]  # the first
position = "axis"
stimulus = "axis-partial.json"   # as captured
recording = [
  "axis-01.wav",  # good
]
partial = true

# about the port
[[takes]]
position = "port"
stimulus = "port.json"
recording = "port.wav"
"""


@pytest.fixture(params=["\n", "\r\n"], ids=["LF", "CRLF"])
def path(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    file = tmp_path / "session.toml"
    file.write_bytes(TEXT.replace("\n", request.param).encode())
    return file


def test_a_take_is_rewritten_where_it_stands(path: Path) -> None:
    values = {"stimulus": "axis.json", "recording": ["axis-01.wav", "b.wav"], "partial": None}
    rewrite_take(path, "axis-partial.json", {**values, "placement": 2})
    text = path.read_bytes().decode().replace("\r\n", "\n")
    assert text == TEXT.replace('"axis-partial.json"   # as captured', '"axis.json"').replace(
        '[\n  "axis-01.wav",  # good\n]\npartial = true', '["axis-01.wav", "b.wav"]\nplacement = 2'
    )


def test_a_take_that_is_retired_stays_as_a_remark(path: Path) -> None:
    retire_takes(path, ["axis-partial.json"], "Recorded again:")
    text = path.read_bytes().decode().replace("\r\n", "\n")
    assert '# Recorded again:\n# [[takes]]  # the first\n# position = "axis"\n' in text
    assert "# partial = true\n\n# about the port\n[[takes]]\n" in text
    assert [take["position"] for take in tomllib.loads(text)["takes"]] == ["port"]
    retire_takes(path, ["port.json"], "Recorded again:")
    assert "takes" not in tomllib.loads(path.read_text())


@pytest.mark.parametrize(
    "text",
    [
        'takes = [{ position = "axis", stimulus = "a.json", recording = "a.wav" }]\n',
        2 * '[[takes]]\nposition = "axis"\nstimulus = "a.json"\nrecording = "a.wav"\n',
        '[[takes]]\nposition = "axis"\nstimulus = "other.json"\nrecording = "a.wav"\n',
        '[[takes]]\nposition = "axis"\nrecording = """\n[[takes]]"""\nstimulus = "a.json"\n',
    ],
    ids=["inline", "twice", "missing", "a header in a text"],
)
def test_what_cannot_be_changed_safely_is_left_alone(text: str, tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(text)
    with pytest.raises(InputError, match="cannot be changed in place"):
        rewrite_take(path, "a.json", {"placement": 2})
    with pytest.raises(InputError, match="cannot be changed in place"):
        retire_takes(path, ["a.json"], "Recorded again:")
    assert path.read_text() == text
