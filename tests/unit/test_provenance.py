"""Where results come from: the checksum of samples, version and date, settings, and the page."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from conftest import Demo
from report_samples import sample_results, sample_take, words_of

import distsweep
from distsweep.report.provenance.section import provenance
from distsweep.results import Provenance, SourceFile, read_results, write_results
from distsweep.takes import sample_checksum, sound_file
from distsweep.takes.provenance import created_now
from distsweep.takes.sound_file import blocks, open_sound, sample_sha256
from distsweep.version import VERSION


def by_definition(path: Path) -> str:
    """The checksum as documented, by soundfile and numpy alone."""
    samples, _ = soundfile.read(path, dtype="float64", always_2d=True)
    return hashlib.sha256(samples.astype("<f8").tobytes()).hexdigest()


def whole_numbers(rng: np.random.Generator, bits: int, channels: int = 2) -> np.ndarray:
    """Samples of so many bits, left-justified in 32; both ends of the range are among them."""
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1)
    samples = rng.integers(low, high, (3000, channels))
    samples[0], samples[1] = low, high - 1
    return np.asarray(samples << (32 - bits), dtype=np.int32)


@pytest.mark.parametrize(("bits", "subtype"), [(16, "PCM_16"), (24, "PCM_24")])
def test_lossless_codings_of_a_recording_have_one_checksum(
    tmp_path: Path, rng: np.random.Generator, bits: int, subtype: str
) -> None:
    samples = whole_numbers(rng, bits)
    sums = set()
    for name in ("a.wav", "a.flac", "a.aiff"):
        soundfile.write(tmp_path / name, samples, 48000, subtype=subtype)
        sums |= {sample_sha256(tmp_path / name), by_definition(tmp_path / name)}
    soundfile.write(tmp_path / "wide.wav", samples, 48000, subtype="PCM_32")
    assert sums == {sample_sha256(tmp_path / "wide.wav")}
    expected = hashlib.sha256((samples / 2.0**31).astype("<f8").tobytes()).hexdigest()
    assert sums == {expected}


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE", "PCM_32"])
def test_the_last_bit_of_a_sample_counts(
    tmp_path: Path, rng: np.random.Generator, subtype: str
) -> None:
    path = tmp_path / "a.wav"
    samples = 0.5 + np.asarray(rng.random(1000) / 4.0, dtype=np.float32).astype(np.float64)
    sums = []
    step = {"FLOAT": 2.0**-24, "DOUBLE": 2.0**-53, "PCM_32": 2.0**-31}[subtype]
    for moved in (0.0, step):
        samples[517] += moved
        soundfile.write(path, samples, 48000, subtype=subtype)
        sums.append(by_definition(path))
        assert sample_sha256(path) == sums[-1]
    assert sums[0] != sums[1]


def test_a_file_is_hashed_once_while_it_is_read(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, whole_numbers(rng, 16), 48000, subtype="PCM_16")
    sound = open_sound(path)
    assert sample_checksum.remembered_checksum(path) is None
    for _ in blocks(sound, noting=True, first=10):
        pass  # a part is no file
    assert sample_checksum.remembered_checksum(path) is None
    for _ in blocks(sound, noting=True, length=700):
        pass
    assert sample_checksum.remembered_checksum(path) == by_definition(path)

    def no_reading(*_: object, **__: object) -> None:
        raise AssertionError("read again")

    monkeypatch.setattr(sound_file, "open_sound", no_reading)
    assert sample_sha256(path) == by_definition(path)


def test_the_date_is_utc_and_can_be_set(monkeypatch: pytest.MonkeyPatch) -> None:
    assert re.fullmatch(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\dZ", created_now())
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    assert created_now() == "2023-11-14T22:13:20Z"
    for wrong in ("", "yesterday", "1" * 30):
        monkeypatch.setenv("SOURCE_DATE_EPOCH", wrong)
        with pytest.raises(distsweep.InputError, match="whole seconds since 1970"):
            created_now()


def test_the_version_stands_in_one_place() -> None:
    text = (Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8")
    project = tomllib.loads(text)
    assert project["project"]["dynamic"] == ["version"]
    attribute = project["tool"]["setuptools"]["dynamic"]["version"]["attr"]
    assert attribute == "distsweep.version.VERSION"
    assert re.fullmatch(r"\d+\.\d+\.\d+", VERSION)


def test_results_say_what_they_were_made_from(demo: Demo, tmp_path: Path) -> None:
    made = demo.results.provenance
    assert made is not None
    assert made.version == VERSION
    assert made.settings["level_band_hz"] == [300.0, 3000.0]
    played = [take for take in made.settings["takes"] if "kind" not in take]
    assert [take["position"] for take in played] == ["axis", "axis", "woofer"]
    assert [take["order"] for take in played] == [10, 10, 10]
    quiet = [take for take in made.settings["takes"] if take not in played]
    assert [(take["kind"], take["state"]) for take in quiet] == [
        ("background", "on"), ("background", "off"),
    ]  # fmt: skip
    assert made.settings["takes"][0]["pascal_per_fs"] == 100.0
    for recording in made.recordings:
        assert recording.sha256 == by_definition(demo.folder / recording.name)
    for stimulus in made.stimuli:
        data = (demo.folder / stimulus.name).read_bytes()
        assert stimulus.sha256 == hashlib.sha256(data).hexdigest()
    assert (len(made.recordings), len(made.stimuli)) == (3 + 10, 3)
    write_results(demo.results, tmp_path / "results.json")
    again = read_results(tmp_path / "results.json").provenance
    assert again is not None
    assert (again.version, again.created, again.settings) == (
        made.version, made.created, made.settings,
    )  # fmt: skip
    assert again.recordings == made.recordings and again.stimuli == made.stimuli


def test_a_file_without_provenance_is_read(tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    write_results(sample_results(sample_take(points=10, levels_dbfs=(-10.0,))), path)
    data = json.loads(path.read_text(encoding="utf-8"))
    del data["provenance"]
    path.write_text(json.dumps(data), encoding="utf-8")
    found = read_results(path)
    assert found.provenance is None
    assert provenance(found) is None


@pytest.mark.parametrize(
    "wrong", [[], {"version": "1"}, {"version": 1, "created": ""}, {"recordings": [{"name": "x"}]}]
)
def test_damaged_provenance_is_refused(tmp_path: Path, wrong: object) -> None:
    path = tmp_path / "results.json"
    write_results(sample_results(sample_take(points=10, levels_dbfs=(-10.0,))), path)
    data = json.loads(path.read_text(encoding="utf-8")) | {"provenance": wrong}
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(distsweep.InputError, match="is damaged"):
        read_results(path)


def test_the_page_tells_version_date_settings_and_checksums() -> None:
    sha256 = "0123456789abcdef" * 4
    made = Provenance(
        "9.8.7",
        "2026-11-27T17:21:05Z",
        {
            "level_band_hz": [300.0, 3000.0],
            "takes": [{"position": "axis", "recordings": ["axis.wav"], "number": 2, "order": 8}],
        },
        [SourceFile("axis.wav", sha256)],
        [SourceFile("ladder.json", sha256[::-1])],
    )
    results = sample_results(sample_take(points=10, levels_dbfs=(-10.0,)), provenance=made)
    section = provenance(results)
    assert section is not None
    assert section.folded and "9.8.7" in section.lead and "2026-11-27 17:21:05 UTC" in section.lead
    assert "1 recording and 1 stimulus" in section.lead
    text = words_of(results).text
    for said in (
        "300 Hz to 3",
        "axis.wav",
        "ladder.json",
        sha256[:32],
        sha256[32:],
        sha256[31::-1],
    ):
        assert said in text


@pytest.mark.parametrize(
    "settings",
    [
        {"levels_spl": ["80"], "level_band_hz": ["low", None]},
        {"levels_spl": 80, "level_band_hz": [300.0, 3000.0, 1.0]},
        {"takes": [{"recordings": 5}, {}]},
    ],
)
def test_settings_of_another_kind_are_left_out(settings: dict[str, Any]) -> None:
    """They are free in a file: no reader of results checks them."""
    made = Provenance("1", "2026-11-27T17:21:05Z", settings, [], [])
    results = sample_results(sample_take(points=10, levels_dbfs=(-10.0,)), provenance=made)
    assert provenance(results) is not None
    assert "Stated levels" not in words_of(results).text


@pytest.mark.long
def test_sessions_with_the_same_date_give_the_same_bytes(
    demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    texts = []
    for name in "ab":
        write_results(distsweep.analyse(demo.folder), tmp_path / name)
        texts.append((tmp_path / name).read_bytes())
    assert texts[0] == texts[1]
