"""Microphone corrections as programs of many countries write them: read rightly, or refused."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from capture_bench import run_main
from conftest import Bench

from distsweep.errors import InputError
from distsweep.report.facts import condition_terms
from distsweep.results import read_results
from distsweep.takes.correction import read_correction

POINTS = {20.0: 0.1, 1000.0: 0.0, 20000.0: -1.5}

READ = {
    "semicolon, comma": "20;0,1\n1000;0,0\n20000;-1,5\n",
    "tab, comma": "20\t0,1\n1000\t0\n20000\t-1,5\n",
    "blank, comma": "20,0 0,1\n1000,0 0,0\n20000,0 -1,5\n",
    "several blanks": "   20,0     0,1\n 1000,0     0,0\n20000,0    -1,5\n",
    "comma, point": "20,0.1\n1000,0\n20000,-1.5\n",
    "comma and blank, point": "20, 0.1\n1000, 0\n20000, -1.5\n",
    "semicolon, point": "20;0.1\n1000;0\n20000;-1.5\n",
    "blank, point": "20 0.1\n1000 0\n20000 -1.5\n",
    "with a phase": "20;0,1;-12,5\n1000;0,0;0,0\n20000;-1,5;44\n",
    "phases with commas": "20,0.1,-12\n1000,0,0\n20000,-1.5,44\n",
    "phase in degrees": "20 0.1 12°\n1000 0 0°\n20000 -1.5 -44.1°\n",
    "three decimals": "20,000;0,100\n1000,000;0,000\n20000,000;-1,500\n",
    "typographic minus": "20;0,1\n1000;0\n20000;−1,5\n",
    "en dash": "20;0,1\n1000;0\n20000;–1,5\n",
    "CR LF": "20;0,1\r\n1000;0,0\r\n20000;-1,5\r\n",
    "CR": "20;0,1\r1000;0,0\r20000;-1,5",
    "quotes and commas": '"Hz","dB"\n"20,0","0,1"\n"1000,0","0,0"\n"20000,0","-1,5"\n',
    "quotes where needed": '20,"0,1"\n1000,0\n20000,"-1,5"\n',
    "quotes and semicolons": '"20";"0,1"\n"1000";"0"\n"20000";"-1,5"\n',
    "quotes around lines": '"20;0,1"\n"1000;0"\n"20000;-1,5"\n',
    "empty columns behind": "20;0,1;;\n1000;0;;\n20000;-1,5;;\n",
    "powers of ten": "2,0E+01\t1,0E-01\n1,0E+03\t0\n2,0E+04\t-1,5E+00\n",
    "remarks": "Serial 12, 0,3 dB\n// 20 5\n(20 5)\n$ 3\nHz;dB\n20;0,1\n\n~\n1000;0\n20000;-1,5\n",
}  # fmt: skip


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "mic.txt"
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


@pytest.mark.parametrize("text", READ.values(), ids=READ)
def test_a_correction_is_read(text: str, tmp_path: Path) -> None:
    read = read_correction(written(tmp_path, text))
    assert dict(zip(read.frequency_hz, read.deviation_db, strict=True)) == POINTS
    assert read.largest == (20000.0, -1.5)


READ_SAFELY = {
    # what may look doubtful, and has one meaning that is possible
    "ends at 80 Hz": ("10 0.5\n80 0.1\n", {10.0: 0.5, 80.0: 0.1}),
    "ends at 90 Hz, whole": ("20 1\n90 0\n", {20.0: 1.0, 90.0: 0.0}),
    "three decimals, no thousands": (
        "10.125 0\n100.250 1\n1000 0\n", {10.125: 0.0, 100.25: 1.0, 1000.0: 0.0}
    ),
    "three decimals up to 500": ("20.000;0\n500.000;1\n", {20.0: 0.0, 500.0: 1.0}),
    "zeros behind commas": ("20,0,0\n1000,0,0\n20000,-1,0\n", {20.0: 0, 1e3: 0, 2e4: -1}),
    "powers of ten behind commas": ("2e1,0\n1e3,0\n", {20.0: 0.0, 1000.0: 0.0}),
    "100 dB": ("20 100 0\n1000 200 0\n", {20.0: 100.0, 1000.0: 200.0}),
}  # fmt: skip


@pytest.mark.parametrize(("text", "meant"), READ_SAFELY.values(), ids=READ_SAFELY)
def test_what_has_one_possible_meaning_is_read(
    text: str, meant: dict[float, float], tmp_path: Path
) -> None:
    read = read_correction(written(tmp_path, text))
    assert dict(zip(read.frequency_hz, read.deviation_db, strict=True)) == meant


@pytest.mark.parametrize(
    "encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "cp850", "mac-roman"]
)
def test_encodings(encoding: str, tmp_path: Path) -> None:
    text = "Größe °\r\n20;0,1\r\n1000;0\r\n20000;-1,5\r\n"
    read = read_correction(written(tmp_path, text.encode(encoding)))
    assert dict(zip(read.frequency_hz, read.deviation_db, strict=True)) == POINTS


REFUSED = {
    "two or three": ("20,0,1\n1000,0,0\n20000,-1,5\n", "line 1: '20,0,1' can be two numbers"),
    "two or three, minus": ("20,-1,5\n1000,-1,0\n", "line 1: .* can be read in two ways"),
    "commas only": ("20,0,0,1\n1000,0,0,0\n", "line 1: .* by semicolons"),
    "comma for both": ("20, 0,1\n1000, 0,0\n", "line 1: .* can be read in two ways"),
    "point and comma": ("20;0,1\n1000;0.5\n", "line 1: .* can be read in two ways"),
    "point, then comma": ("20 0.1 1\n1000 0,5 1,5\n", "line 2: .* decimal comma"),
    "1.000,5": ("20;0,1\n1.000,5;0,2\n", "line [12]: "),
    "1.000,5 and a tab": ("500\t0\n1.000,5\t0\n", "line 2: .* can be read in two ways"),
    "thousands by points": ("500;0\n1.000;-1\n", "line 2: .* can be a decimal or thousands"),
    "thousands by points alone": ("1.000;0\n2.000;-1\n20.000;3\n", "thousands"),
    "thousands by commas": ("1,000;0\n2,000;-1\n20,000;3\n", "line 1: .* thousands"),
    "thousands by commas, among them": ("500,0.1\n1,000,0.2\n", "line 2: .* thousands"),
    "thousands by blanks": ("1 000;0,1\n20 000;0,2\n", "line 1: .* thousands"),
    "thousands by narrow blanks": ("1\u202f000;0,1\n20\u202f000;0,2\n", "line 1: .* thousands"),
    "thousands by apostrophes": ("500;0.1\n1'000;0.2\n", "line 2: .* thousands"),
    "not rising": ("20;0,1\n2000;0,2\n1000;0,3\n", "line 3: 1000 Hz follows 2000 Hz"),
    "twice": ("20;0,1\n1000;0,2\n1000;0,2\n", "line 3: 1000 Hz follows 1000 Hz.* each once"),
    "in kHz": ("0,02;0,1\n1,0;0,2\n20,0;0,5\n", "ends at 20 Hz: is it in kHz"),
    "in kHz, from 1": ("1;0,1\n20;0,5\n", "ends at 20 Hz: is it in kHz"),
    "in kHz, up to 96": ("0.02 0.1\n96 0.5\n", "ends at 96 Hz: is it in kHz"),
    "two or three, whole": ("20,0,0\n1000,1,0\n", "line 2: '1000,1,0' can be two numbers"),
    "two or three, −0": ("20,0,0\n1000,-0,5\n", "line 2: .* can be read in two ways"),
    "thousands or 100 dB": ("500 1\n20 100 0\n", "line 2: .* thousands"),
    "thousands in part": ("1000 0\n10 000 0\n", "line 2: 10 Hz follows 1000 Hz|thousands"),
    "three decimals or thousands": ("10.125 0\n20.250 1\n", "line 1: .* decimal or thousands"),
    "a hole": ("20;;0,1\n1000;;0,2\n", "line 1: .* is not"),
    "units": ("20 Hz 0.1 dB\n1000 Hz 0.2 dB\n", "line 1: .* is not"),
    "no end": ("20 0\n1000 1e999\n", "too large"),
    "remarks only": ("'20 0'\n'1000 1'\n", r"holds 0 point\(s\)"),
    "no text": (bytes(range(256)), r"holds 0 point\(s\)|is not"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "says"), REFUSED.values(), ids=REFUSED)
def test_what_can_be_read_in_two_ways_is_refused(
    text: str | bytes, says: str, tmp_path: Path
) -> None:
    path = written(tmp_path, text)
    with pytest.raises(InputError, match=says) as caught:
        read_correction(path)
    assert str(caught.value).startswith(str(path)) and "\n" not in str(caught.value)
    # Remarks are told by what they do not begin with; there is no list of signs.
    assert not any(sign in str(caught.value).removeprefix(str(path)) for sign in "#*%")


@pytest.mark.parametrize("separator", [";", "\t", " ", ",", ", ", " ; "])
@pytest.mark.parametrize("mark", [".", ","])
def test_a_number_is_never_read_as_another(
    separator: str, mark: str, tmp_path: Path, rng: np.random.Generator
) -> None:
    """Whatever a program may write: the numbers that were meant, or a refusal."""
    for decimals, thousands, columns in itertools.product(
        (0, 1, 2, 3), ("", ".", ",", " ", "'"), (2, 3)
    ):
        frequency_hz = np.round(np.geomspace(*rng.uniform([5.0, 2e3], [1.5e3, 4e4]), 7), decimals)
        columns_db = np.round(rng.uniform(-9.0, 9.0, (7, columns - 1)), decimals)

        def one(value: float, decimals: int = decimals, thousands: str = thousands) -> str:
            text = f"{value:,.{decimals}f}".replace(",", "T").replace(".", mark)
            return text.replace("T", thousands)

        rows = zip(frequency_hz, columns_db, strict=True)
        text = "\n".join(separator.join(map(one, [f, *rest])) for f, rest in rows)
        try:
            read = read_correction(written(tmp_path, text))
        except InputError:
            # What is plain may not be refused.
            with_commas = (mark == "," and decimals > 0) or (columns == 3 and decimals == 0)
            assert thousands or (separator.strip() == "," and with_commas), text
        else:
            np.testing.assert_array_equal(read.frequency_hz, frequency_hz, err_msg=text)
            np.testing.assert_array_equal(read.deviation_db, columns_db[:, 0], err_msg=text)


def test_results_say_which_correction_was_applied(
    make_bench: Callable[..., Bench],
) -> None:
    """By file name, points and largest value: in results.json, on the page and on the terminal."""
    bench = make_bench(levels_dbfs=[-20])
    bench.record(0.1 * bench.waveform, name="axis.wav")
    written(bench.folder, "20;0,1\n1000;0,0\n20000;-1,5\n")
    take = '[[takes]]\nposition = "axis"\nstimulus = "short.json"\nrecording = "axis.wav"\n'
    (bench.folder / "session.toml").write_text(
        f'[calibration]\npascal_per_fs = 20.0\nmic_correction = "mic.txt"\n{take}'
    )
    ran = run_main("analyse", str(bench.folder), "--no-report")
    assert ran.exit_code == 0
    line = "mic.txt: 3 points, largest −1.50 dB at 20 kHz, subtracted"
    assert f"microphone correction: {line}" in ran.stderr.replace("\xa0", " ")
    results = read_results(bench.folder / "results" / "results.json")
    for calibration in (results.calibration, results.takes[0].calibration):
        assert calibration.mic_correction == "mic.txt"
        assert calibration.mic_correction_points == 3
        assert calibration.mic_correction_largest_db == -1.5
        assert calibration.mic_correction_largest_at_hz == 20000.0
    assert line in dict(condition_terms(results))["Microphone correction"].replace("\xa0", " ")
