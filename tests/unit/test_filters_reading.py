"""Filters in a TOML file: what is read, and what is refused in one line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from distsweep.comparison.filters import Filter, read_filters
from distsweep.comparison.filters.biquad import gain_db
from distsweep.comparison.filters.reading import checked
from distsweep.errors import InputError


def read(tmp_path: Path, text: str) -> list[Filter]:
    path = tmp_path / "eq.toml"
    path.write_text(text, encoding="utf-8")
    return read_filters(path)


PEAKING = '[[filters]]\nkind = "peaking"\nfrequency_hz = 1000\ngain_db = 6\nq = 2\n'


def test_every_kind_is_read(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "rate_hz = 44100\n"
        + PEAKING
        + '[[filters]]\nkind = "low shelf"\nfrequency_hz = 80\ngain_db = 5\nname = "bass up"\n'
        '[[filters]]\nkind = "high shelf"\nfrequency_hz = 8000\ngain_db = -2\nq = 0.7\n'
        '[[filters]]\nkind = "high-pass"\nfrequency_hz = 30\n'
        '[[filters]]\nkind = "low-pass"\nfrequency_hz = 18000\norder = 3\n'
        '[[filters]]\nkind = "biquad"\nrate_hz = 48000\nb = [1, 0, 0]\na = [1, -0.5, 0]\n',
    )
    assert [one.kind for one in found] == [
        "peaking", "low shelf", "high shelf", "high-pass", "low-pass", "biquad",
    ]  # fmt: skip
    assert [one.rate_hz for one in found] == [44100.0] * 5 + [48000.0]
    assert (found[1].name, found[1].slope, found[1].q) == ("bass up", 1.0, None)
    assert found[3].q == pytest.approx(np.sqrt(0.5))
    assert (found[4].order, found[4].q) == (3, None)
    assert found[5].a == (1.0, -0.5, 0.0)
    assert checked(found) == found


def test_without_a_rate_it_is_48_khz(tmp_path: Path) -> None:
    assert read(tmp_path, PEAKING)[0].rate_hz == 48000.0


def test_gains_are_those_asked_for(tmp_path: Path) -> None:
    found = read(tmp_path, PEAKING)
    assert gain_db(found, np.array([1000.0]))[0] == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "holds no filter"),
        ("filters = 3", r"two brackets"),
        ('[filters]\nkind = "peaking"\n', r"two brackets"),
        (PEAKING.replace("peaking", "peeking"), "did you mean 'peaking'"),
        (PEAKING.replace("q = 2\n", ""), "q is missing"),
        (PEAKING.replace("gain_db = 6\n", ""), "gain_db is missing"),
        (PEAKING.replace("gain_db = 6", "gain_db = 60"), "gain_db is 60: must be -40 to 40"),
        (PEAKING.replace("q = 2", "q = 0"), "q is 0: must be"),
        (PEAKING.replace("q = 2", 'q = "2"'), "without quotation marks"),
        (PEAKING.replace("1000", "24000"), r"must be below half the rate \(24000\)"),
        (PEAKING.replace("1000", "0.3"), "must be 1 or more"),
        (PEAKING + "slope = 1\n", "unknown key 'slope'"),
        ("rate_hz = 44.1\n" + PEAKING, "rate_hz is 44.1: must be 8000 to 768000"),
        ("rate = 44100\n" + PEAKING, "unknown key 'rate'"),
        (
            '[[filters]]\nkind = "low shelf"\nfrequency_hz = 80\ngain_db = 5\nq = 1\nslope = 1\n',
            "give one of them, q or slope",
        ),
        (
            '[[filters]]\nkind = "low shelf"\nfrequency_hz = 80\ngain_db = 12\nslope = 9\n',
            "slope is 9: with 12 dB it must be below",
        ),
        ('[[filters]]\nkind = "low-pass"\nfrequency_hz = 80\norder = 9\n', "must be 8 or less"),
        ('[[filters]]\nkind = "low-pass"\nfrequency_hz = 80\norder = 2\nq = 1\n', "q or order"),
        ('[[filters]]\nkind = "biquad"\nb = [1, 0, 0]\na = [1, 0, 0]\n', "rate_hz is missing"),
        (
            '[[filters]]\nkind = "biquad"\nrate_hz = 48000\nb = [1, 0, 0]\na = [1, -2.1, 1.1]\n',
            "unstable",
        ),
        (
            '[[filters]]\nkind = "biquad"\nrate_hz = 48000\nb = [1, 0, 0]\na = [0, 1, 0]\n',
            "begins with 0",
        ),
        (
            '[[filters]]\nkind = "biquad"\nrate_hz = 48000\nb = [0, 0, 0]\na = [1, 0, 0]\n',
            "lets nothing through",
        ),
        (
            '[[filters]]\nkind = "biquad"\nrate_hz = 48000\nb = [1, 0]\na = [1, 0, 0]\n',
            "has 2 numbers: must have 3",
        ),
        (
            '[[filters]]\nkind = "biquad"\nrate_hz = 48000\nb = [9000, 0, 0]\na = [1, 0, 0]\n',
            "gives a gain of 79 dB",
        ),
        ("x" * 3, "not valid TOML"),
        (PEAKING * 65, "64 are the most"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        read(tmp_path, text)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_filters(tmp_path / "none.toml")


def test_filters_of_a_program_are_checked_as_a_files_are() -> None:
    with pytest.raises(InputError, match="number 1: frequency_hz is missing"):
        checked([{"kind": "high-pass"}])
    with pytest.raises(InputError, match="there is none"):
        checked([])
    with pytest.raises(InputError, match="number 2: kind"):
        checked([{"kind": "high-pass", "frequency_hz": 30}, Filter("notch", 48000.0)])
    for slip in ("shelf.toml", Path("shelf.toml"), {"kind": "high-pass"}, ["high-pass"]):
        with pytest.raises(InputError, match="what read_filters returns"):
            checked(slip)  # type: ignore[arg-type]
