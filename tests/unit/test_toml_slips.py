"""Usual slips in a file that people write by hand: one line that says what to write."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from distsweep.errors import InputError
from distsweep.takes.session import read_session
from distsweep.toml_input import read_toml

HEAD = '[device]\nname = "Brindlemoor Tarnbick 4"\n\n'

SLIPS = {
    # what was typed in line 4, and the line, or the value, to write instead
    "decimal comma": ("temperature_c = 20,0", "20.0"),
    "decimal comma and a remark": ("temperature_c = 20,5  # today", "20.5"),
    "negative decimal comma": ("temperature_c = -2,5", "-2.5"),
    "decimal comma in a table": ("port_mm = { length = 165,5, diameter = 36 }", "165.5"),
    "comma of thousands": ("band_hz = 20,000", "20.000, or 20000, or a list"),
    "numbers without a list": ("band_hz = 20, 20000", "band_hz = [20, 20000]"),
    "round brackets": ("cabinet_mm = (180, 240, 150)", "cabinet_mm = [180, 240, 150]"),
    "no commas in a list": ("band_hz = [20 20000]", "[1.5, 2.5]"),
    "a semicolon at the end": ("temperature_c = 20;", "temperature_c = 20"),
    "two keys": ('position = "axis", channel = 2', "them so"),
    "None": ("distance_m = None", "no line for distance_m"),
    "decimal commas in a list": ("cabinet_mm = [180,5 240,5 150,0]", "[1.5, 2.5]"),
    "semicolons in a list": ("cabinet_mm = [180,5; 240,5; 150,0]", "[1.5, 2.5]"),
    "backslashes": (r'recording = "C:\takes\axis.wav"', '"C:/takes/axis.wav"'),
    "backslashes, all of them escapes": (r'recording = "C:\takes\new.wav"', '"C:/takes/new.wav"'),
    "backslash, a relative path": (r'recording = "takes\take1.wav"', '"takes/take1.wav"'),
    "backslashes in a list": (r'recording = ["a.wav", "C:\Users\b.wav"]', '"C:/Users/b.wav"'),
    "backslash at the end": ('folder = "C:\\takes\\"', '"C:/takes/"'),
    "no quotes": ("position = axis", 'position = "axis"'),
    "no quotes, two words": ("position = off axis", 'position = "off axis"'),
    "no quotes, a file": ("recording = axis.wav", 'recording = "axis.wav"'),
    "no quotes, a number and an ending": ("recording = 1.wav", 'recording = "1.wav"'),
    "no quotes, a path": (r"recording = C:\takes\a.wav", 'recording = "C:/takes/a.wav"'),
    "no quotes in a list": ("recording = [a.wav, b.wav]", 'recording = ["a.wav", "b.wav"]'),
    "no quotes among others": ('recording = ["a.wav", b.wav]', 'recording = ["a.wav", "b.wav"]'),
    "quotes in quotes": ('maker = "the "small" one"', "it in '"),
    "a quote in quotes": ('maker = "5" monitor"', "it in '"),
    "curly quotes": ("position = “axis”", 'position = "axis"'),
    "low and high quotes": ("position = „axis“", 'position = "axis"'),
    "single curly quotes": ("position = ‘axis’", 'position = "axis"'),
    "True": ("partial = True", "true"),
    "FALSE": ("partial = FALSE", "false"),
    "yes": ("partial = yes", "true"),
    "quote not closed": ('position = "axis', 'position = "axis"'),
    "single quote not closed": ("position = 'axis", "position = 'axis'"),
    "a unit": ("distance_m = 1.0 m", "1.0"),
    "a unit and a comma": ("distance_m = 1,5 m", "1.5"),
    "degrees": ("temperature_c = 21 °C", "21"),
    "a typographic minus": ("levels_dbfs = [−40, −34]", "levels_dbfs = [-40, -34]"),
    "no zero before the point": ("distance_m = .5", "0.5"),
    "nothing behind the point": ("distance_m = 5.", "5.0"),
    "a leading zero": ("channel = 02", "2"),
    "colon": ("temperature_c: 20", "temperature_c = 20"),
    "no equals sign": ("position axis", 'position = "axis"'),
    "list not closed": ("cabinet_mm = [180, 240, 150", "]"),
    "header not closed": ("[[takes]", "[[takes]]"),
}  # fmt: skip


@pytest.mark.parametrize(("typed", "instead"), SLIPS.values(), ids=SLIPS)
@pytest.mark.parametrize("after", ["", '\n[conditions]\nnote = "more"\n'], ids=["last", "inside"])
def test_a_slip_is_named_with_its_line_and_what_to_write(
    typed: str, instead: str, after: str, tmp_path: Path
) -> None:
    path = tmp_path / "session.toml"
    path.write_text(f"{HEAD}{typed}{after}", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_toml(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ") and "\n" not in message
    assert re.search(r"\bline 4: ", message), message
    assert f"write {instead}" in message, message
    assert "Expected" not in message and "Invalid" not in message, message
    if "=" in instead:
        tomllib.loads(HEAD + instead)  # what is offered is TOML


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
        '''name = "a # in quotes, and ‘curly’ ones"''',
    ],
)
def test_what_is_no_slip_is_read(text: str, tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(text, encoding="utf-8")
    assert read_toml(path) == tomllib.loads(text)
