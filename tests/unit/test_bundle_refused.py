"""Files that are no bundle, or are not what was packed, and places where none may be written."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from capture_bench import run_main
from conftest import RATE_HZ, Bench, ladder_recipe
from report_samples import sample_results, sample_take

import distsweep
from distsweep.takes.bundle import is_bundle
from distsweep.takes.bundle_packing import write_bundle
from distsweep.takes.session import read_session

Files = dict[str, bytes]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bundle of a session, which no test changes."""
    bench = Bench(tmp_path_factory.mktemp("made"), ladder_recipe(levels_dbfs=[-20], order=3))
    noise = 1e-5 * np.random.default_rng(3).standard_normal(len(bench.waveform))
    bench.record(0.5 * bench.waveform + noise, name="axis.wav")
    (bench.folder / "mic.txt").write_text("20 1\n20000 0\n", encoding="utf-8")
    (bench.folder / "session.toml").write_text(
        '[calibration]\nmic_correction = "mic.txt"\n'
        '[[takes]]\nposition = "axis"\nstimulus = "short.json"\nrecording = "axis.wav"\n',
        encoding="utf-8",
    )
    results = sample_results(sample_take(points=10, levels_dbfs=(-10.0,)))
    write_bundle(bench.folder / "made.zip", read_session(bench.folder), results)
    return bench.folder / "made.zip"


def contents(path: Path) -> Files:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def zipped(path: Path, files: Files) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return path


def with_manifest(files: Files, change: Callable[[dict[str, Any]], object]) -> Files:
    data = json.loads(files["manifest.json"])
    change(data)
    return files | {"manifest.json": json.dumps(data).encode()}


def entry(data: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(file for file in data["files"] if file["name"] == name)
    return found


def replaced(files: Files, name: str, content: bytes) -> Files:
    """Change a file together with its checksum, as somebody would who means to mislead."""

    def change(data: dict[str, Any]) -> None:
        sha256 = hashlib.sha256(content).hexdigest()
        entry(data, name).update(sha256=sha256, size=len(content))

    return with_manifest(files, change) | {name: content}


def sized(files: Files, name: str, content: bytes) -> Files:
    """Change a file, and its length in the manifest, but not its checksum."""
    changed = with_manifest(files, lambda data: entry(data, name).update(size=len(content)))
    return changed | {name: content}


def refused(path: Path, says: str) -> str:
    """One line that names the bundle, exit code 3, and nothing left."""
    before = sorted(path.parent.rglob("*"))
    ran = run_main("analyse", str(path), "--no-report")
    lines = ran.stderr.strip().splitlines()
    assert ran.exit_code == 3, ran.stderr
    assert len(lines) == 1 and str(path) in lines[0], ran.stderr
    assert says in lines[0]
    assert "distsweep-bundle-" not in lines[0]
    assert sorted(path.parent.rglob("*")) == before
    with pytest.raises(distsweep.InputError):
        distsweep.analyse(path)
    return lines[0]


def test_the_bundle_as_it_was_made_is_taken(made: Path, tmp_path: Path) -> None:
    again = zipped(tmp_path / "again.zip", contents(made))  # by another program
    assert [take.position for take in distsweep.analyse(again).takes] == ["axis"]


def test_files_that_are_no_bundle(made: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    path.write_text("a text")
    refused(path, "damaged or cut off")
    path.write_bytes(b"")
    refused(path, "damaged or cut off")
    refused(zipped(path, {}), "holds no manifest.json")
    refused(zipped(path, {"a.txt": b"x"}), "holds no manifest.json")
    refused(zipped(path, {"manifest.json": b"{}"}), "is damaged")
    refused(zipped(path, {"manifest.json": b"\xff"}), "is no bundle")
    refused(zipped(path, {"manifest.json": b"[" * 100000}), "is damaged")
    refused(zipped(path, {"manifest.json": b" " * (2**24 + 1)}), "too long")
    other = {"schema": "distsweep.bundle/2"}
    refused(zipped(path, {"manifest.json": json.dumps(other).encode()}), "this version reads")
    whole = made.read_bytes()
    for share in (0.001, 0.3, 0.7, 0.999):
        path.write_bytes(whole[: int(share * len(whole))])
        refused(path, "damaged or cut off")
    sound = tmp_path / "sound.zip"
    sound.write_bytes(soundfile_bytes(np.zeros(100)))
    refused(sound, "damaged or cut off")


def soundfile_bytes(samples: np.ndarray, *, rate_hz: int = RATE_HZ, kind: str = "FLAC") -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, rate_hz, format=kind, subtype="PCM_24")
    return buffer.getvalue()


def test_a_flipped_bit_anywhere_is_seen(made: Path, tmp_path: Path) -> None:
    whole = bytearray(made.read_bytes())
    path = tmp_path / "x.zip"
    for place in np.random.default_rng(5).integers(0, len(whole), 40):
        changed = bytearray(whole)
        changed[place] ^= 0x10
        path.write_bytes(changed)
        try:
            found = distsweep.analyse(path)
        except distsweep.InputError:
            continue
        # A bit that says nothing, such as one of a date, leaves everything as it was.
        with zipfile.ZipFile(path) as archive:
            assert {n: archive.read(n) for n in archive.namelist()} == contents(made)
        assert len(found.takes) == 1


def test_a_changed_sample_or_text_names_its_file(made: Path, tmp_path: Path) -> None:
    files, path = contents(made), tmp_path / "x.zip"
    samples, _ = soundfile.read(io.BytesIO(files["axis.flac"]))
    samples[70000] += 2.0**-23  # the last bit of 24
    for changed in (
        soundfile_bytes(samples),
        soundfile_bytes(samples[:-1]),
        b"no sound",
    ):
        refused(zipped(path, sized(files, "axis.flac", changed)), "axis.flac was changed")
    other_rate = soundfile_bytes(soundfile.read(io.BytesIO(files["axis.flac"]))[0], rate_hz=48001)
    refused(zipped(path, sized(files, "axis.flac", other_rate)), "axis.flac was changed")
    refused(zipped(path, files | {"axis.flac": b""}), "axis.flac has another length")
    for name in ("short.json", "mic.txt", "session.toml", "results/results.json"):
        text = bytearray(files[name])
        text[len(text) // 2] ^= 1
        refused(zipped(path, files | {name: bytes(text)}), f"{name} was changed")
        less = {key: data for key, data in files.items() if key != name}
        refused(zipped(path, less), f"{name} is missing")


@pytest.mark.parametrize(
    "name",
    [
        "/tmp/x",
        "../x",
        "a/../../x",
        "a//x",
        "./x",
        "C:/x",
        "..\\x",
        "a\\x",
        "",
        "a/",
        "x\0",
        "~/.x:",
    ],
)
@pytest.mark.parametrize("key", ["name", "used_as"])
def test_names_that_lead_out_are_refused(made: Path, tmp_path: Path, name: str, key: str) -> None:
    if (key, name) == ("used_as", ""):
        return  # what an analysis does not read
    files = with_manifest(contents(made), lambda data: entry(data, "mic.txt").update({key: name}))
    refused(zipped(tmp_path / "x.zip", files), "is no name inside a folder")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"size": 10**13}, "more than a bundle"),
        ({"size": -1}, "is none"),
        ({"size": 1.5}, "is none"),
        ({"size": True}, "is none"),
        ({"sha256": "0" * 63}, "is none"),
        ({"sha256": None}, "no text"),
        ({"of": "nothing"}, "is none"),
        ({"extra": 1}, "is damaged"),
        ({"used_as": "short.json"}, "have one name"),
        ({"name": "AXIS.flac"}, "have one name"),
    ],
)
def test_a_manifest_that_cannot_be(
    made: Path, tmp_path: Path, change: dict[str, Any], says: str
) -> None:
    files = with_manifest(contents(made), lambda data: entry(data, "mic.txt").update(change))
    refused(zipped(tmp_path / "x.zip", files), says)


def test_what_would_fill_a_disk_is_refused_before_it_is_unpacked(
    made: Path, tmp_path: Path
) -> None:
    """100 MB of zeros, which pack into 0.1 MB, announced or not."""
    zeros = bytes(10**8)
    files = replaced(contents(made), "mic.txt", zeros)
    few = {k: v for k, v in files.items() if k != "axis.flac"}
    few = with_manifest(few, lambda data: data["files"].remove(entry(data, "axis.flac")))
    refused(zipped(tmp_path / "x.zip", few), "would unpack to 0.1 GB")
    hidden = contents(made) | {"mic.txt": zeros}
    refused(zipped(tmp_path / "y.zip", hidden), "mic.txt has another length")


def test_files_that_the_manifest_does_not_name_are_refused(made: Path, tmp_path: Path) -> None:
    added = contents(made) | {"notes.txt": b"not packed by us"}
    refused(zipped(tmp_path / "x.zip", added), "'notes.txt' in it is not in its manifest.json")
    name = "results/results.json"
    hidden = with_manifest(
        contents(made) | {name: bytes(10**8)},
        lambda data: data["files"].remove(entry(data, name)),
    )
    refused(zipped(tmp_path / "y.zip", hidden), "'results/results.json' in it is not in its")
    folders = contents(made) | {"results/": b""}
    assert distsweep.analyse(zipped(tmp_path / "z.zip", folders)).takes


@pytest.mark.parametrize("text", [b"{", b"[" * 10**5, b'{"schema": 1' + b"0" * 5000 + b"}"])
def test_packed_results_that_cannot_be_read_are_said(
    made: Path, tmp_path: Path, text: bytes
) -> None:
    path = zipped(tmp_path / "x.zip", replaced(contents(made), "results/results.json", text))
    ran = run_main("analyse", str(path), "--no-report")
    assert ran.exit_code == 0, ran.stderr
    assert "bundle: the results in it cannot be read, and were not compared" in ran.stderr


def test_links_and_files_of_one_name_are_refused(made: Path, tmp_path: Path) -> None:
    path, files = tmp_path / "x.zip", contents(made)
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in files.items():
            info = zipfile.ZipInfo(name)
            if name == "mic.txt":
                info.external_attr = 0o120777 << 16
            archive.writestr(info, data)
    refused(path, "mic.txt is a link")
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
        with pytest.warns(UserWarning, match="Duplicate name"):
            archive.writestr("mic.txt", b"20 9\n20000 0\n")
    refused(path, "have one name")


@pytest.mark.parametrize(
    "name", ["/etc/hostname", "../axis.wav", "other.wav", "results/results.json"]
)
@pytest.mark.parametrize("written", ['"axis.flac"', '"short.json"', '"mic.txt"'])
def test_a_session_that_names_what_is_not_in_the_bundle(
    made: Path, tmp_path: Path, name: str, written: str
) -> None:
    files = contents(made)
    text = files["session.toml"].replace(written.encode(), json.dumps(name).encode())
    assert text != files["session.toml"]
    line = refused(zipped(tmp_path / "x.zip", replaced(files, "session.toml", text)), "names")
    assert "which is not in it" in line


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"takes = 1", "cannot be read"),
        (b"[calibration]\n[[takes]]\nposition = 1", "cannot be read"),
        (b"\xff", "cannot be read"),
        (b"[", "cannot be read"),
        (b"at = 07:32:00\n", "cannot be read"),
        (b"", "takes"),
    ],
)
def test_a_session_that_cannot_be_read(made: Path, tmp_path: Path, text: bytes, says: str) -> None:
    files = replaced(contents(made), "session.toml", text)
    refused(zipped(tmp_path / "x.zip", files), says)


def test_an_error_in_the_analysis_names_the_bundle(made: Path, tmp_path: Path) -> None:
    files = contents(made)
    text = files["session.toml"] + b"channel = 2\n"
    path = zipped(tmp_path / "x.zip", replaced(files, "session.toml", text))
    ran = run_main("analyse", str(path), "--no-report")
    assert ran.exit_code == 3
    assert f"{path}/axis.wav: has 1 channel(s)" in ran.stderr


@pytest.mark.parametrize(
    "content", [b"precious", soundfile_bytes(np.zeros(50), kind="WAV"), b"PK\x03\x04 and more"]
)
def test_only_a_bundle_is_replaced(made: Path, tmp_path: Path, content: bytes) -> None:
    for name in ("short.json", "axis.wav", "session.toml", "mic.txt"):
        shutil.copy(made.with_name(name), tmp_path)
    target = tmp_path / "out.zip"
    target.write_bytes(content)
    before = sorted(tmp_path.rglob("*"))
    ran = run_main("analyse", str(tmp_path), "--no-report", "--bundle", str(target))
    assert ran.exit_code == 3 and "is no bundle of distsweep" in ran.stderr, ran.stderr
    assert target.read_bytes() == content and sorted(tmp_path.rglob("*")) == before
    target.unlink()
    target.mkdir()
    ran = run_main("analyse", str(tmp_path), "--no-report", "--bundle", str(target))
    assert ran.exit_code == 3 and "is a folder" in ran.stderr
    target.rmdir()
    shutil.copy(made, target)
    former = target.read_bytes()
    ran = run_main("analyse", str(tmp_path), "--no-report", "--bundle", str(target))
    assert ran.exit_code == 0, ran.stderr
    assert is_bundle(target) and target.read_bytes() != former


def test_a_bundle_that_cannot_be_finished_leaves_the_former(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "b.zip"
    shutil.copy(made, target)
    opened = read_session(made.parent)
    results = sample_results(sample_take(points=10, levels_dbfs=(-10.0,)))

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(zipfile.ZipFile, "open", full)
    monkeypatch.setattr("distsweep.takes.bundle_packing.is_bundle", lambda _: True)
    with pytest.raises(distsweep.InputError, match="No space left"):
        write_bundle(target, opened, results)
    assert target.read_bytes() == made.read_bytes()
    assert list(tmp_path.iterdir()) == [target]
