"""Recordings and sidecars that cannot be used: one line, exit code 3, nothing written."""

from __future__ import annotations

import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from command_line import assert_refused, files_below, run
from short_ladder import RATE_HZ, RECIPE, Bench, bench, made, write_recipe_and_stimulus

__all__ = ["bench", "made"]  # fixtures, which pytest finds by name


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
    "wrong rate": (shaped(lambda x: x, rate_hz=44100), "markers"),
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
    "repeats that were not played": (changed("repeats", to=2), "repeats = 2"),
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


@pytest.mark.parametrize("name", ["none.json", ".", "dangling.json", "noise.wav"])
def test_sidecar_that_is_none(name: str, bench: Bench, capfd) -> None:
    (bench.folder / "dangling.json").symlink_to("nowhere.json")
    soundfile.write(bench.folder / "noise.wav", noise(np.zeros(5 * 48000)), 48000)
    sidecar = bench.folder / name
    outcome = run(
        capfd, "analyse", bench.folder / "short.wav", "--stimulus", sidecar, "--no-report"
    )
    assert_refused(outcome, names=str(sidecar))
