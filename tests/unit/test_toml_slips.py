"""Usual slips in a file that people write by hand: one line that says what to write."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from distsweep.errors import InputError
from distsweep.takes.session import read_session
from distsweep.toml_input import read_toml
from distsweep.toml_slips import slip, swallowed_path

HEAD = '[device]\nname = "Brindlemoor Tarnbick 4"\n\n'

SLIPS = {
    # what was typed in line 4, and the line to write instead
    "decimal comma": ("temperature_c = 20,0", "temperature_c = 20.0"),
    "decimal comma and a remark": ("temperature_c = 20,5  # today", "temperature_c = 20.5"),
    "negative decimal comma": ("temperature_c = -2,5", "temperature_c = -2.5"),
    "decimal comma in a table": (
        "port_mm = { length = 165,5, diameter = 36 }", "port_mm = { length = 165.5, diameter = 36 }"
    ),
    "thousands and a decimal comma": ("x = 1.000,5", "x = 1000.5"),
    "thousands and a decimal point": ("x = 1,000.5", "x = 1000.5"),
    "numbers without a list": ("band_hz = 20, 20000", "band_hz = [20, 20000]"),
    "numbers without a list or blanks": ("band_hz = 20,20000", "band_hz = [20, 20000]"),
    "round brackets": ("cabinet_mm = (180, 240, 150)", "cabinet_mm = [180, 240, 150]"),
    "no commas in a list": ("band_hz = [20 20000]", "band_hz = [20, 20000]"),
    "a semicolon at the end": ("temperature_c = 20;", "temperature_c = 20"),
    "decimal commas in a list": (
        "cabinet_mm = [180,5 240,5 150,0]", "cabinet_mm = [180.5, 240.5, 150.0]"
    ),
    "semicolons in a list": (
        "cabinet_mm = [180,5; 240,5; 150,0]", "cabinet_mm = [180.5, 240.5, 150.0]"
    ),
    "backslashes": (r'recording = "C:\takes\axis.wav"', 'recording = "C:/takes/axis.wav"'),
    "backslashes, all of them escapes": (
        r'recording = "C:\takes\new.wav"', 'recording = "C:/takes/new.wav"'
    ),
    "backslash, a relative path": (
        r'recording = "takes\take1.wav"', 'recording = "takes/take1.wav"'
    ),
    "backslashes in a list": (
        r'recording = ["a.wav", "C:\Users\b.wav"]', 'recording = ["a.wav", "C:/Users/b.wav"]'
    ),
    "backslash at the end": ('folder = "C:\\takes\\"', 'folder = "C:/takes/"'),
    "no quotes": ("position = axis", 'position = "axis"'),
    "no quotes, two words": ("position = off axis", 'position = "off axis"'),
    "no quotes, a file": ("recording = axis.wav", 'recording = "axis.wav"'),
    "no quotes, a number and an ending": ("recording = 1.wav", 'recording = "1.wav"'),
    "no quotes, a path": (r"recording = C:\takes\a.wav", 'recording = "C:/takes/a.wav"'),
    "no quotes in a list": ("recording = [a.wav, b.wav]", 'recording = ["a.wav", "b.wav"]'),
    "no quotes among others": ('recording = ["a.wav", b.wav]', 'recording = ["a.wav", "b.wav"]'),
    "inches without quotes": ('maker = 5" driver', "maker = '5\" driver'"),
    "quotes in quotes": ('maker = "the "small" one"', "maker = 'the \"small\" one'"),
    "a quote in quotes": ('maker = "5" monitor"', "maker = '5\" monitor'"),
    "curly quotes": ("position = “axis”", 'position = "axis"'),
    "low and high quotes": ("position = „axis“", 'position = "axis"'),
    "single curly quotes": ("position = ‘axis’", 'position = "axis"'),
    "True": ("partial = True", "partial = true"),
    "FALSE": ("partial = FALSE", "partial = false"),
    "yes": ("partial = yes", "partial = true"),
    "quote not closed": ('position = "axis', 'position = "axis"'),
    "single quote not closed": ("position = 'axis", "position = 'axis'"),
    "a unit": ("distance_m = 1.0 m", "distance_m = 1.0"),
    "a unit and a comma": ("distance_m = 1,5 m", "distance_m = 1.5"),
    "degrees": ("temperature_c = 21 °C", "temperature_c = 21"),
    "a typographic minus": ("levels_dbfs = [−40, −34]", "levels_dbfs = [-40, -34]"),
    "no zero before the point": ("distance_m = .5", "distance_m = 0.5"),
    "nothing behind the point": ("distance_m = 5.", "distance_m = 5.0"),
    "a leading zero": ("channel = 02", "channel = 2"),
    "header not closed": ("[[takes]", "[[takes]]"),
}  # fmt: skip

TOLD = {
    # what was typed in line 4, and what is said of it, where no one line can be offered
    "comma of thousands": ("band_hz = 20,000", "is it 20000, or 20.000 with a point?"),
    "two keys": ('position = "axis", channel = 2', "each key stands on a line of its own"),
    "two texts": ('position = "axis", maker = "x"', "each key stands on a line of its own"),
    "backslashes in lines of a list": ('a = ["\\C", "C:\\a.wav",\n]', "put / between the folders"),
    "None": ("distance_m = None", "remove the line of distance_m"),
    "no value": ("distance_m =\n", "Invalid value"),
    "another unit": ("port_mm = 12 cm", "without its unit, which is in the key's name"),
    "a second time": ('name = "again"\n', "Cannot overwrite a value"),
    "colon": ("temperature_c: 20", "Expected '=' after a key"),
    "a table a second time": ("[device]", "[device] is there a second time"),
    "list not closed": ("cabinet_mm = [180, 240, 150", "is not closed: put ] at its end"),
    "list of lines not closed": ("a = [1, 2,\n 3, 4\n[x]", "is not closed: put ] at its end"),
}


def said_of(typed: str, path: Path) -> str:
    """Return what is said of a line, less the file's name; it is one line."""
    path.write_text(typed, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_toml(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ") and "\n" not in message
    return message.removeprefix(f"{path}: ")


@pytest.mark.parametrize(("typed", "instead"), SLIPS.values(), ids=SLIPS)
@pytest.mark.parametrize("after", ["", '\n[conditions]\nnote = "more"\n'], ids=["last", "inside"])
def test_a_slip_is_named_with_its_line_and_what_to_write(
    typed: str, instead: str, after: str, tmp_path: Path
) -> None:
    said = said_of(f"{HEAD}{typed}{after}", tmp_path / "session.toml")
    assert re.search(r"\bline 4: ", said), said
    assert said.endswith(f": write {instead}"), said
    tomllib.loads(f"{HEAD}{instead}{after}")


@pytest.mark.parametrize(("typed", "told"), TOLD.values(), ids=TOLD)
@pytest.mark.parametrize("after", ["", "\n[conditions]\n"], ids=["last", "inside"])
def test_a_slip_is_told(typed: str, told: str, after: str, tmp_path: Path) -> None:
    said = said_of(f"{HEAD}{typed}{after}", tmp_path / "session.toml")
    assert re.search(r"\bline 4\b", said), said
    assert told in said and ": write" not in said


PIECES = (
    *("name", "key with space", "x", "=", "=", "=", ",", ";", ":", " ", " ", '"', '"', "'", "“"),
    *("”", "[", "]", "[[", "(", ")", "{", "}", "\\", "#", "1", "20", "000", "5", ".", "-", "−"),
    *("m", "°C", "True", "None", "axis", "a.wav", "C:", "\n", "\n", "takes"),
)  # fmt: skip


def test_whatever_is_offered_is_toml(rng: np.random.Generator) -> None:
    """Lines thrown together at random, and those above with a piece put in or left out."""
    typed = ["".join(rng.choice(PIECES, size=rng.integers(3, 12))) for _ in range(1500)]
    for line, _ in [*SLIPS.values(), *TOLD.values()]:
        for _ in range(12):
            at = rng.integers(len(line) + 1)
            typed += [line[:at] + rng.choice(PIECES) + line[at:], line[:at] + line[at + 1 :]]
    offered = 0
    for text in typed:
        try:
            tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            said = slip(text, str(error)) or ""
        else:
            said = swallowed_path(text) or ""
        assert "\n" not in said
        if (found := re.search(r"line \d+: [^:]*: write (.*)$", said)) is not None:
            offered += 1
            tomllib.loads(found[1])
    assert offered > 300


@pytest.mark.parametrize(
    "typed",
    [
        "key with space = 1",
        "x = " + "[" * 3000,
        "x = " + "1" * 5000,
        "x = {a = 1",
        "= 3",
        "x = 2 3 a",
    ],
    ids=["key", "deep", "long", "table", "no key", "words"],
)
def test_what_is_no_usual_slip_has_the_parser_s_words(typed: str, tmp_path: Path) -> None:
    said = said_of(f"{typed}\n", tmp_path / "session.toml")
    assert len(said) < 200


def test_a_swallowed_path_in_a_line_of_a_list_is_told(tmp_path: Path) -> None:
    said = said_of('r = ["a.wav",\n"C:\\takes\\new.wav"]\n', tmp_path / "session.toml")
    assert said.startswith("line 2: ") and said.endswith(': put "C:/takes/new.wav"]')


def test_takes_in_single_brackets(tmp_path: Path) -> None:
    take = '[takes]\nposition = "axis"\nstimulus = "s.json"\nrecording = "a.wav"\n'
    (tmp_path / "session.toml").write_text(take)
    with pytest.raises(InputError, match=r"write \[\[takes\]\]"):
        read_session(tmp_path)
    (tmp_path / "session.toml").write_text(take + take)
    with pytest.raises(InputError, match=r"line 5: .*write \[\[takes\]\]"):
        read_session(tmp_path)


@pytest.mark.parametrize(
    ("typed", "instead"),
    [
        ('temperature_c = "20,0"', "write 20, without"),
        ("level_band_hz = [300,5, 3000]", "write decimals with a point"),
    ],
)
def test_commas_that_are_toml(typed: str, instead: str, tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(f"[conditions]\n{typed}\n")
    with pytest.raises(InputError, match=instead):
        read_session(tmp_path, takes_required=False)


@pytest.mark.parametrize(
    "text",
    [
        r'''# recording = "C:\takes\new.wav"''',
        r"""recording = 'C:\takes\new.wav' """,
        r'''recording = "C:\\takes\\new.wav"''',
        r'''name = "two\tcolumns"''',
        r'''name = "Two\nlines.v2"''',
        '''name = "a # in quotes, and ‘curly’ ones"''',
    ],
)
def test_what_is_no_slip_is_read(text: str, tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(text, encoding="utf-8")
    assert read_toml(path) == tomllib.loads(text)
