"""Files that cannot be used, handed to the command line: one line, exit code 3, nothing written."""

from __future__ import annotations

import json
import os
import resource
import shutil
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from command_line import assert_refused, files_below, run

RATE_HZ = 48000
MEMORY_BYTES = 4 * 2**30
RECIPE = """\
kind = "ladder"
name = "short"
rate_hz = 48000
band_hz = [100, 16000]
sweep_s = 1.0
levels_dbfs = [-20, -8]
order = 5
quiet_s = 1.0
pause_s = 0.5
return_rung = false
"""
TAKE = '[[takes]]\nposition = "axis"\nstimulus = "short.json"\nrecording = "short.wav"\n'


@dataclass(frozen=True)
class Bench:
    """A folder with a stimulus, whose ``short.wav`` is also a good recording of it."""

    folder: Path

    @property
    def sidecar(self) -> Path:
        return self.folder / "short.json"

    @property
    def wav(self) -> bytes:
        return (self.folder / "short.wav").read_bytes()

    @property
    def samples(self) -> np.ndarray:
        return soundfile.read(self.folder / "short.wav", dtype="float64")[0]


def write_recipe_and_stimulus(folder: Path, recipe: str) -> None:
    file = folder / "recipe.toml"
    file.write_text(recipe, encoding="utf-8")
    subprocess.run(
        [sys.executable, "-m", "distsweep", "stimulus", str(file), "-o", str(folder)],
        check=True,
        capture_output=True,
        timeout=60,
    )
    file.unlink()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    write_recipe_and_stimulus(folder, RECIPE)
    return folder


@pytest.fixture
def bench(made: Path, tmp_path: Path) -> Bench:
    for name in ("short.wav", "short.json"):
        shutil.copy(made / name, tmp_path)
    return Bench(tmp_path)


# --- recordings ---------------------------------------------------------------------------


def written(samples: np.ndarray, **how: Any) -> Callable[[Bench, Path], None]:
    def make(_bench: Bench, path: Path) -> None:
        soundfile.write(path, samples, how.get("rate_hz", RATE_HZ), subtype=how.get("subtype"))

    return make


def shaped(shape: Callable[[np.ndarray], np.ndarray], **how: Any) -> Callable[[Bench, Path], None]:
    def make(bench: Bench, path: Path) -> None:
        written(shape(bench.samples), **how)(bench, path)

    return make


def raw(content: Callable[[bytes], bytes]) -> Callable[[Bench, Path], None]:
    def make(bench: Bench, path: Path) -> None:
        path.write_bytes(content(bench.wav))

    return make


def by_hand(
    *,
    channels: int = 1,
    rate_hz: int = RATE_HZ,
    bits: int = 16,
    kind: int = 1,
    announced: float = 1.0,
    held: float = 1.0,
) -> Callable[[Bench, Path], None]:
    """A WAV whose header says what we want it to say."""

    def make(bench: Bench, path: Path) -> None:
        data = (np.clip(bench.samples, -1.0, 1.0) * 32767.0).astype("<i2").tobytes()
        size = int(len(data) * announced)
        frame = channels * bits // 8
        header = struct.pack(
            "<4sI4s4sIHHIIHH4sI",
            *(b"RIFF", 36 + size, b"WAVE", b"fmt ", 16),
            *(kind, channels, rate_hz, rate_hz * frame, frame, bits, b"data", size),
        )
        path.write_bytes(header + data[: int(len(data) * held)])

    return make


def cut_flac(bench: Bench, path: Path) -> None:
    flac = path.with_suffix(".flac")
    soundfile.write(flac, bench.samples, RATE_HZ)
    content = flac.read_bytes()
    flac.unlink()
    path.write_bytes(content[: len(content) // 2])


def not_finite(value: float) -> Callable[[np.ndarray], np.ndarray]:
    def shape(samples: np.ndarray) -> np.ndarray:
        samples[1234] = value
        return samples

    return shape


def noise(samples: np.ndarray) -> np.ndarray:
    return 0.1 * np.random.default_rng(1).standard_normal(len(samples))


RECORDINGS = {
    # how it is made, and what the message must say
    "missing": (lambda _bench, _path: None, "no such recording"),
    "empty": (raw(lambda _: b""), "empty"),
    "cut in the middle": (raw(lambda wav: wav[: len(wav) // 2]), "cut off"),
    "cut in the header": (raw(lambda wav: wav[:30]), "cannot be read as sound"),
    "header only": (raw(lambda wav: wav[:44]), "cut off"),
    "cut FLAC": (cut_flac, "cannot be read as sound|cut off"),
    "text": (raw(lambda _: b"these are words\n" * 300), "cannot be read as sound"),
    "random bytes": (
        raw(lambda _: np.random.default_rng(2).bytes(50_000)),
        "cannot be read as sound",
    ),
    "no channels": (by_hand(channels=0), "cannot be read as sound"),
    "no rate": (by_hand(rate_hz=0), "cannot be read as sound"),
    "no bits": (by_hand(bits=0), "cannot be read as sound"),
    "unknown encoding": (by_hand(kind=0x1234), "cannot be read as sound"),
    "no frames": (by_hand(announced=0.0, held=0.0), "holds no samples"),
    "announces too much": (by_hand(announced=2.0), "cut off"),
    "wrong rate": (shaped(lambda x: x, rate_hz=44100), "44100 Hz.*48000 Hz"),
    "silent": (shaped(np.zeros_like), "silent"),
    "noise": (shaped(noise), "markers were not found"),
    "all clipped": (shaped(lambda x: np.clip(1e4 * x, -1.0, 1.0)), "clipped"),
    "not a number": (shaped(not_finite(np.nan), subtype="FLOAT"), "sample 1234 .*not a number"),
    "infinite": (shaped(not_finite(np.inf), subtype="FLOAT"), "sample 1234 .*not a number"),
    "one sample": (written(np.array([0.1])), "markers were not found"),
    "too short": (shaped(lambda x: x[20_000:50_000]), "marker|rung"),
    "folder": (lambda _bench, path: path.mkdir(), "folder"),
    "dangling link": (lambda _bench, path: path.symlink_to("nowhere.wav"), "no such recording"),
    "link to itself": (lambda _bench, path: path.symlink_to(path.name), "no such recording"),
}


@pytest.mark.parametrize("case", RECORDINGS)
def test_recording_that_cannot_be_used(case: str, bench: Bench, capfd) -> None:
    make, says = RECORDINGS[case]
    recording = bench.folder / "axis.wav"
    make(bench, recording)
    before = files_below(bench.folder)
    outcome = run(
        capfd,
        *("analyse", recording, "--stimulus", bench.sidecar, "-o", bench.folder / "results"),
    )
    assert_refused(outcome, names=str(recording), says=says)
    assert files_below(bench.folder) == before
    assert not (bench.folder / "results").exists()


@pytest.mark.parametrize("name", ["a" * 300 + ".wav", "short.wav/axis.wav"], ids=["long", "below"])
def test_recording_at_an_impossible_place(name: str, bench: Bench, capfd) -> None:
    recording = bench.folder / name
    outcome = run(capfd, "analyse", recording, "--stimulus", bench.sidecar)
    assert_refused(outcome, names=str(recording))


def test_channel_that_is_not_there(bench: Bench, capfd) -> None:
    recording = bench.folder / "short.wav"
    outcome = run(capfd, "analyse", recording, "--stimulus", bench.sidecar, "--channel", "2")
    assert_refused(outcome, names=str(recording), says=r"1 channel\(s\), channel 2")


@pytest.mark.parametrize(
    "change",
    [
        ("sweep_s = 1.0", "sweep_s = 1.4"),
        ("[-20, -8]", "[-20, -14, -8]"),
        ("[100, 16000]", "[60, 16000]"),  # the markers and their distance stay the same
    ],
    ids=["longer", "another rung", "wider band"],
)
def test_recording_of_another_stimulus(
    change: tuple[str, str], bench: Bench, tmp_path: Path, capfd
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    write_recipe_and_stimulus(other, RECIPE.replace(*change).replace('"short"', '"other"'))
    before = files_below(tmp_path)
    outcome = run(capfd, "analyse", other / "other.wav", "--stimulus", bench.sidecar)
    assert_refused(outcome, names=str(other / "other.wav"), says="sidecar of the stimulus")
    assert files_below(tmp_path) == before


# --- sidecars -----------------------------------------------------------------------------


def changed(*place: str | int, to: Any) -> Callable[[dict[str, Any]], str]:
    def make(data: dict[str, Any]) -> str:
        inner: Any = data
        for key in place[:-1]:
            inner = inner[key]
        inner[place[-1]] = to
        return json.dumps(data)

    return make


def without(*place: str | int) -> Callable[[dict[str, Any]], str]:
    def make(data: dict[str, Any]) -> str:
        inner: Any = data
        for key in place[:-1]:
            inner = inner[key]
        del inner[place[-1]]
        return json.dumps(data)

    return make


FIRST_RUNG = ("files", 0, "rungs", 0)
SIDECARS = {
    "empty": (lambda _: "", "not JSON"),
    "null": (lambda _: "null", "schema"),
    "a list": (lambda _: "[]", "schema"),
    "cut": (lambda data: json.dumps(data)[:500], "not JSON"),
    "binary": (lambda _: "\x80\xff", "JSON"),
    "of another version": (
        changed("schema", to="distsweep.stimulus/99"),
        "distsweep.stimulus/99.*distsweep.stimulus/1",
    ),
    "without schema": (without("schema"), "schema"),
    "without sweep": (without("sweep"), "damaged"),
    "without marker": (without("marker"), "damaged"),
    "without files": (without("files"), "damaged"),
    "without band": (without("band_hz"), "band_hz"),
    "without levels": (without("levels_dbfs"), "levels_dbfs"),
    "no files": (changed("files", to=[]), "damaged"),
    "no rungs": (changed("files", 0, "rungs", to=[]), "damaged"),
    "order of 0": (changed("order", to=0), "order"),
    "sweep's length a text": (changed("sweep", "samples", to="many"), ""),
    "sweep's length null": (changed("sweep", "samples", to=None), ""),
    "sweep's length a fraction": (changed("sweep", "samples", to=48000.5), ""),
    "sweep's length negative": (changed("sweep", "samples", to=-5), ""),
    "sweep's length 0": (changed("sweep", "samples", to=0), ""),
    "sweep's rate another": (changed("sweep", "rate_hz", to=44100), ""),
    "sweep's rate 0": (changed("sweep", "rate_hz", to=0), ""),
    "rate constant 0": (changed("sweep", "rate_constant_s", to=0.0), ""),
    "rate constant negative": (changed("sweep", "rate_constant_s", to=-0.3), ""),
    "rate constant huge": (changed("sweep", "rate_constant_s", to=1e9), ""),
    "sweep's start 0": (changed("sweep", "start_hz", to=0.0), ""),
    "sweep's start NaN": (changed("sweep", "start_hz", to=float("nan")), ""),
    "marker's length 0": (changed("marker", "samples", to=0), ""),
    "marker's length a text": (changed("marker", "samples", to="x"), ""),
    "marker's rate another": (changed("marker", "rate_hz", to=44100), ""),
    "marker's start 0": (changed("marker", "start_hz", to=0.0), ""),
    "markers in one place": (changed("files", 0, "end_marker_sample", to=12000), ""),
    "rung before the file": (changed(*FIRST_RUNG, "start_sample", to=-10), ""),
    "rung behind the file": (changed(*FIRST_RUNG, "start_sample", to=10**12), ""),
    "rung's start a text": (changed(*FIRST_RUNG, "start_sample", to="a"), ""),
    "rung's drive a text": (changed(*FIRST_RUNG, "drive_dbfs", to="loud"), ""),
    "rung's drive null": (changed(*FIRST_RUNG, "drive_dbfs", to=None), ""),
    "rung's first repeat gone": (changed(*FIRST_RUNG, "repeat", to=1), ""),
    "silence of one end": (changed("files", 0, "quiet_samples", to=[1]), ""),
    "silence backwards": (changed("files", 0, "quiet_samples", to=[90000, 10]), ""),
}


@pytest.mark.parametrize("case", SIDECARS)
def test_sidecar_that_cannot_be_used(case: str, bench: Bench, capfd) -> None:
    make, says = SIDECARS[case]
    sidecar = bench.folder / "bad.json"
    text = make(json.loads(bench.sidecar.read_text(encoding="utf-8")))
    sidecar.write_bytes(text.encode("latin-1" if case == "binary" else "utf-8"))
    before = files_below(bench.folder)
    outcome = run(
        capfd, "analyse", bench.folder / "short.wav", "--stimulus", sidecar, "--no-report"
    )
    assert_refused(outcome, names=str(sidecar), says=says)
    assert files_below(bench.folder) == before


@pytest.mark.parametrize("name", ["none.json", ".", "dangling.json", "short.wav"])
def test_sidecar_that_is_none(name: str, bench: Bench, capfd) -> None:
    (bench.folder / "dangling.json").symlink_to("nowhere.json")
    sidecar = bench.folder / name
    outcome = run(
        capfd, "analyse", bench.folder / "short.wav", "--stimulus", sidecar, "--no-report"
    )
    assert_refused(outcome, names=str(sidecar))


# --- sessions -----------------------------------------------------------------------------

SESSIONS = {
    "malformed": ("[[takes]\nposition =", "not valid TOML.*line 1"),
    "key given twice": (TAKE + "channel = 1\nchannel = 2\n", "not valid TOML.*line 6"),
    "empty": ("", "takes is"),
    "without takes": ('[device]\nname = "x"\n', "takes is"),
    "takes not a list": ('takes = "axis"\n', "takes"),
    "takes of texts": ('takes = ["axis"]\n', "table"),
    "unknown table": (TAKE + '[devise]\nname = "x"\n', "'devise'.*'device'"),
    "unknown key of a take": (TAKE + "chanel = 1\n", "'chanel'.*'channel'"),
    "unknown key of calibration": (
        "[calibration]\npascal_per_sf = 1.0\n" + TAKE,
        "'pascal_per_sf'.*'pascal_per_fs'",
    ),
    "unknown key of conditions": (
        "[conditions]\ntemprature_c = 1.0\n" + TAKE,
        "'temprature_c'.*'temperature_c'",
    ),
    "unknown key of the device": (
        "[device]\ncabinet = [1, 2, 3]\n" + TAKE,
        "'cabinet'.*'cabinet_mm'",
    ),
    "unknown key of the port": (
        "[device]\nport_mm = { length = 1, diameter = 2, flair = 3 }\n" + TAKE,
        "'flair'",
    ),
    "device not a table": ('device = "x"\n' + TAKE, "table"),
    "channel 0": (TAKE + "channel = 0\n", "channel is 0"),
    "channel a text": (TAKE + 'channel = "left"\n', "channel is 'left'"),
    "no recording": (TAKE.replace('"short.wav"', "[]"), "recording is"),
    "recording a number": (TAKE.replace('"short.wav"', "5"), "recording is 5"),
    "position missing": (TAKE.replace('position = "axis"\n', ""), "position is missing"),
    "level band backwards": (
        "[conditions]\nlevel_band_hz = [3000, 300]\n" + TAKE,
        "level_band_hz",
    ),
    "calibration of 0": ("[calibration]\npascal_per_fs = 0\n" + TAKE, "pascal_per_fs"),
    "calibration not a number": ("[calibration]\npascal_per_fs = nan\n" + TAKE, "pascal_per_fs"),
    "two calibrations": (
        '[calibration]\npascal_per_fs = 1.0\nfile = "c.json"\n' + TAKE,
        "both given",
    ),
}


def session_outcome(bench: Bench, text: str, capfd) -> Any:
    (bench.folder / "session.toml").write_text(text, encoding="utf-8")
    before = files_below(bench.folder)
    outcome = run(capfd, "analyse", bench.folder, "--no-report")
    assert files_below(bench.folder) == before
    return outcome


@pytest.mark.parametrize("case", SESSIONS)
def test_session_that_cannot_be_used(case: str, bench: Bench, capfd) -> None:
    text, says = SESSIONS[case]
    outcome = session_outcome(bench, text, capfd)
    assert_refused(outcome, names=str(bench.folder / "session.toml"), says=says)


@pytest.mark.parametrize(
    ("given", "names", "says"),
    [
        ('"none.wav"', "none.wav", "no such recording"),
        ('["short.wav", "short.wav"]', "short.wav", r"2 recording\(s\).*1 file"),
    ],
    ids=["missing", "more than files"],
)
def test_recordings_of_a_session(given: str, names: str, says: str, bench: Bench, capfd) -> None:
    outcome = session_outcome(bench, TAKE.replace('"short.wav"', given), capfd)
    assert_refused(outcome, names=str(bench.folder / names), says=says)


CALIBRATIONS = {
    "missing": None,
    "empty": "",
    "a list": "[]",
    "without the key": "{}",
    "a text": '{"pascal_per_fs": "1"}',
    "true": '{"pascal_per_fs": true}',
    "negative": '{"pascal_per_fs": -1}',
    "NaN": '{"pascal_per_fs": NaN}',
}


@pytest.mark.parametrize("case", CALIBRATIONS)
def test_calibration_that_cannot_be_used(case: str, bench: Bench, capfd) -> None:
    file, text = bench.folder / "c.json", CALIBRATIONS[case]
    if text is not None:
        file.write_text(text, encoding="utf-8")
    outcome = session_outcome(bench, '[calibration]\nfile = "c.json"\n' + TAKE, capfd)
    assert_refused(outcome, names=str(file))


CORRECTIONS = {
    "missing": None,
    "empty": "",
    "one point": "100 0\n",
    "falling": "100 0\n50 1\n",
    "words": "100 0\n200 zero\n",
    "not a number": "100 0\n200 nan\n",
    "four columns": "100 0 0 0\n200 0 0 0\n",
}


@pytest.mark.parametrize("case", CORRECTIONS)
def test_correction_that_cannot_be_used(case: str, bench: Bench, capfd) -> None:
    file, text = bench.folder / "mic.txt", CORRECTIONS[case]
    if text is not None:
        file.write_text(text, encoding="utf-8")
    outcome = session_outcome(bench, '[calibration]\nmic_correction = "mic.txt"\n' + TAKE, capfd)
    assert_refused(outcome, names=str(file))


@pytest.mark.parametrize("name", ["nowhere", "empty-folder"])
def test_session_that_is_none(name: str, tmp_path: Path, capfd) -> None:
    (tmp_path / "empty-folder").mkdir()
    outcome = run(capfd, "analyse", tmp_path / name)
    assert_refused(outcome, names=str(tmp_path / name))


def test_recording_without_its_stimulus(bench: Bench, capfd) -> None:
    # The likeliest slip of all: the reader must learn of --stimulus, not of TOML or UTF-8.
    recording = bench.folder / "short.wav"
    outcome = run(capfd, "analyse", recording)
    assert_refused(outcome, names=str(recording), says="--stimulus")


# --- recipes ------------------------------------------------------------------------------


def recipe(old: str, new: str) -> str:
    assert old in RECIPE
    return RECIPE.replace(old, new)


RECIPES = {
    "malformed": ("kind = ladder\n", "not valid TOML.*line 1"),
    "empty": ("", "kind is missing"),
    "unknown key": (RECIPE + "sweeps_s = 2\n", "'sweeps_s'.*'sweep_s'"),
    "kind unknown": (recipe('"ladder"', '"lader"'), "kind is 'lader'"),
    "rate too low": (recipe("48000", "8000"), "rate_hz is 8000"),
    "rate a text": (recipe("48000", '"48000"'), "rate_hz is '48000'"),
    "band too high": (recipe("16000", "30000"), "band_hz ends at 30000"),
    "band backwards": (recipe("[100, 16000]", "[16000, 100]"), "band_hz"),
    "sweep too short": (recipe("sweep_s = 1.0", "sweep_s = 0.01"), "sweep_s is 0.01"),
    "sweep infinite": (recipe("sweep_s = 1.0", "sweep_s = inf"), "sweep_s is inf"),
    "level above full scale": (recipe("-8", "3"), "levels_dbfs reaches 3"),
    "levels falling": (recipe("-20, -8", "-8, -20"), "levels_dbfs must rise"),
    "no levels": (recipe("-20, -8", ""), "levels_dbfs"),
    "order 1": (recipe("order = 5", "order = 1"), "order is 1"),
    "silence of a million years": (recipe("quiet_s = 1.0", "quiet_s = 3e13"), "quiet_s"),
    "pause of a million years": (recipe("pause_s = 0.5", "pause_s = 3e13"), "pause_s"),
    "repeats without end": (RECIPE + "repeats = 2000000\n", "repeats"),
    "name with a slash": (recipe('"short"', '"a/b"'), "name is 'a/b'"),
    "name with a line break": (recipe('"short"', '"a\\nb"'), "name is"),
    "name with a NUL": (recipe('"short"', '"a\\u0000b"'), "name is"),
    "name too long": (recipe('"short"', f'"{"a" * 300}"'), "name is"),
}


@pytest.fixture
def bounded_memory() -> Iterator[None]:
    """A recipe that is not refused in time may ask for more memory than the machine has."""
    limits = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, limits[1]))
    yield
    resource.setrlimit(resource.RLIMIT_AS, limits)


@pytest.mark.usefixtures("bounded_memory")
@pytest.mark.parametrize("case", RECIPES)
def test_recipe_that_cannot_be_used(case: str, tmp_path: Path, capfd) -> None:
    text, says = RECIPES[case]
    file = tmp_path / "recipe.toml"
    file.write_text(text, encoding="utf-8")
    outcome = run(capfd, "stimulus", file, "-o", tmp_path / "out")
    assert_refused(outcome, names=str(file), says=says)
    assert not (tmp_path / "out").exists()


def test_recipe_that_nearly_ships(tmp_path: Path, capfd) -> None:
    outcome = run(capfd, "stimulus", "quik-look", "-o", tmp_path / "out")
    assert_refused(outcome, names="quik-look", says="did you mean 'quick-look'")


# --- places to write to -------------------------------------------------------------------


def test_stimulus_of_the_same_name_is_kept(bench: Bench, capfd) -> None:
    file = bench.folder / "recipe.toml"
    file.write_text(recipe("sweep_s = 1.0", "sweep_s = 1.5"), encoding="utf-8")
    before = {path: path.read_bytes() for path in files_below(bench.folder)}
    outcome = run(capfd, "stimulus", file, "-o", bench.folder)
    assert_refused(outcome, names=str(bench.sidecar), says="another stimulus of this name")
    assert {path: path.read_bytes() for path in files_below(bench.folder)} == before


@pytest.mark.parametrize("where", ["-o", "--json"])
def test_results_below_a_file(where: str, bench: Bench, capfd) -> None:
    (bench.folder / "note").write_text("not a folder", encoding="utf-8")
    before = files_below(bench.folder)
    place = bench.folder / "note" / "results"
    outcome = run(
        capfd,
        *("analyse", bench.folder / "short.wav", "--stimulus", bench.sidecar),
        *(where, place, "--no-report"),
    )
    assert_refused(outcome, names=str(place), says="cannot be written")
    assert files_below(bench.folder) == before


@pytest.fixture
def full_disk(bench: Bench) -> Iterator[Bench]:
    """No file may grow past 20 kB: writing fails half-way, as on a full disk."""
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, limits[1]))
    yield bench
    resource.setrlimit(resource.RLIMIT_FSIZE, limits)


@pytest.mark.parametrize("work", ["stimulus", "analyse"])
def test_disk_that_fills_up(work: str, full_disk: Bench, capfd) -> None:
    file = full_disk.folder / "recipe.toml"
    file.write_text(RECIPE, encoding="utf-8")
    before = files_below(full_disk.folder)
    place = full_disk.folder / "out"
    recording = full_disk.folder / "short.wav"
    arguments = {
        "stimulus": ("stimulus", file, "-o", place),
        "analyse": ("analyse", recording, "--stimulus", full_disk.sidecar, "-o", place),
    }
    names = {"stimulus": "short.wav", "analyse": "results.json"}
    outcome = run(capfd, *arguments[work])
    assert_refused(outcome, names=str(place / names[work]), says="cannot be written")
    assert files_below(full_disk.folder) == before


def test_special_file_is_written_to_and_not_replaced(bench: Bench, capfd) -> None:
    # Renaming a whole file into place would put a plain file where /dev/null was.
    pipe = bench.folder / "pipe"
    os.mkfifo(pipe)
    heard: list[str] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_text()), daemon=True)
    reader.start()
    run(
        capfd,
        *("analyse", bench.folder / "short.wav", "--stimulus", bench.sidecar),
        *("--json", pipe, "--no-report", "-o", bench.folder / "results"),
    )
    reader.join(timeout=20.0)
    assert pipe.is_fifo()
    assert json.loads(heard[0])["schema"] == "distsweep.results/1"


# --- the same as a process ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "code", "names"),
    [
        (("analyse", "none.wav", "--stimulus", "short.json"), 3, "none.wav"),
        (("analyse", "."), 3, "session.toml"),
        (("stimulus", "none.toml", "-o", "out"), 3, "none.toml"),
        (("analyse",), 2, "SESSION|RECORDING"),
        (("nonsense",), 2, "nonsense"),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else None,
)
def test_exit_code_of_the_process(
    arguments: tuple[str, ...], code: int, names: str, bench: Bench
) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "distsweep", *arguments],
        check=False,
        cwd=bench.folder,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == code
    assert names in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
