"""A bundle holds a session bit by bit, and gives the same numbers where it is unpacked."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from capture_bench import run_main
from conftest import RATE_HZ, Bench, ladder_recipe
from report_samples import sample_results, sample_take

import distsweep
from distsweep.results import to_json
from distsweep.results.likeness import Likeness, likeness
from distsweep.takes.bundle import opened_bundle
from distsweep.takes.bundle_manifest import parse_manifest
from distsweep.takes.bundle_packing import write_bundle
from distsweep.takes.recording_session import recording_session
from distsweep.takes.session import read_session
from distsweep.takes.sound_file import open_sound, sample_sha256

DATE = "1700000000"


@pytest.fixture(autouse=True)
def one_date(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", DATE)


@dataclass(frozen=True)
class Recorded:
    """Stimuli of one rung and of two in two files, and what a loudspeaker made of them."""

    one: Bench
    split: Bench

    def heard(self, seed: int, *, bench: Bench | None = None, file: int = 0) -> np.ndarray:
        wave = (bench or self.one).waveforms[file]
        noise = 1e-5 * np.random.default_rng(seed).standard_normal(len(wave))
        return np.asarray(0.4 * (wave + 0.05 * wave**2) + noise)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    one = ladder_recipe(name="one", levels_dbfs=[-20], order=3)
    split = ladder_recipe(name="split", levels_dbfs=[-26, -20], order=3)
    return Recorded(
        Bench(tmp_path_factory.mktemp("one"), one),
        Bench(tmp_path_factory.mktemp("split"), split, split=True),
    )


def packed(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def manifest_of(path: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(packed(path)["manifest.json"])
    return data


def bundled(session: Path, out: Path) -> tuple[str, str]:
    """Return a session's results, and those of its bundle, which alone is left."""
    bundle = out / "x.bundle.zip"
    ran = run_main("analyse", str(session), "--no-report", "--bundle", str(bundle))
    assert ran.exit_code == 0, ran.stderr
    direct = (session / "results" / "results.json").read_text(encoding="utf-8")
    assert direct == packed(bundle)["results/results.json"].decode("utf-8")
    shutil.rmtree(session)
    ran = run_main("analyse", str(bundle), "--no-report")
    assert ran.exit_code == 0, ran.stderr
    assert "numbers are those of the results in the bundle" in ran.stderr
    again = out / "x.bundle-results" / "results.json"
    return direct, again.read_text(encoding="utf-8")


TAKE = '[[takes]]\nposition = "{}"\nstimulus = "{}"\nrecording = {}\n'


@pytest.fixture
def session(recorded: Recorded, tmp_path: Path) -> Path:
    """A session with everything a session can name."""
    folder, away = tmp_path / "Größe & Klang", tmp_path / "away"
    (folder / "near field").mkdir(parents=True)
    away.mkdir()
    shutil.copy(recorded.one.sidecar, folder / "one.json")
    shutil.copy(recorded.split.sidecar, away / "split.json")
    (folder / "one.toml").write_text('kind = "ladder"\n', encoding="utf-8")
    heard = recorded.heard
    twice = np.concatenate([heard(1), 0.5 * heard(2)])
    both = np.stack([1e-5 * twice[::-1], twice], axis=1)
    soundfile.write(folder / "beide Läufe.wav", both, RATE_HZ, subtype="PCM_24")
    soundfile.write(folder / "near field" / "axis.wav", heard(3), RATE_HZ, subtype="FLOAT")
    soundfile.write(folder / "near field" / "axis.aiff", heard(4), RATE_HZ, subtype="PCM_16")
    for file in (0, 1):
        part = heard(5 + file, bench=recorded.split, file=file)
        soundfile.write(away / f"rung {file + 1}.wav", part, RATE_HZ, subtype="PCM_24")
    (folder / "calibration.json").write_text('{"pascal_per_fs": 12.3456789}', encoding="utf-8")
    (folder / "earlier.json").write_text('{"pascal_per_fs": 2.5}', encoding="utf-8")
    (folder / "mic.txt").write_text("20 1.0\n1000 0.0\n20000 -2.0\n", encoding="utf-8")
    (folder / "style.toml").write_text('[text]\nlogo = "our logo.svg"\n', encoding="utf-8")
    (folder / "our logo.svg").write_text("<svg/>", encoding="utf-8")
    two = '["../away/rung 1.wav", "../away/rung 2.wav"]'
    (folder / "session.toml").write_text(
        '# A remark.\n[device]\nname = "Brindlemoor \\"Tarnbick\\" 4"\n'
        "port_mm = { length = 120, diameter = 45 }\ncabinet_mm = [180, 240, 150]\n"
        "[conditions]\nlevel_band_hz = [300, 3000]\ntemperature_c = 21.5\ndate = 2026-11-20\n"
        "[report]\nlevels_spl = [83.5, 85]\n"
        '[calibration]\nfile = "calibration.json"\nmic_correction = "mic.txt"\n'
        + TAKE.format("axis", "one.json", '"beide Läufe.wav"')
        + "channel = 2\nnumber = 1\n"
        + TAKE.format("axis", "one.json", '"./beide Läufe.wav"')
        + 'channel = 2\nnumber = 2\ncalibration = "earlier.json"\n'
        + TAKE.format("woofer", "one.json", '"near field/axis.wav"')
        + TAKE.format("port", "one.json", '"near field/axis.aiff"')
        + 'calibration = "none"\n'
        + TAKE.format("30° links", "../away/split.json", two),
        encoding="utf-8",
    )
    return folder


def test_a_bundle_gives_the_same_results_elsewhere(session: Path, tmp_path: Path) -> None:
    direct, again = bundled(session, tmp_path)
    assert again == direct  # every number and every sentence, names of files included
    results = json.loads(direct)
    assert results["conditions"]["date"] == "2026-11-20"
    assert results["provenance"]["settings"]["levels_spl"] == [83.5, 85.0]
    assert [len(take["at_spl"]) > 0 for take in results["takes"]] == [False] * 4 + [True]
    names = set(packed(tmp_path / "x.bundle.zip"))
    assert names == {
        "manifest.json", "session.toml", "session-as-given.toml", "style.toml", "our logo.svg",
        "one.json", "one.toml", "beide Läufe.flac", "near field/axis.wav", "near field/axis.flac",
        "calibration.json", "earlier.json", "mic.txt", "elsewhere/0/split.json",
        "elsewhere/0/rung 1.flac", "elsewhere/0/rung 2.flac", "results/results.json",
    }  # fmt: skip
    assert "# A remark." in packed(tmp_path / "x.bundle.zip")["session-as-given.toml"].decode()


def test_the_library_takes_a_bundle_and_what_was_unpacked_by_hand(
    session: Path, tmp_path: Path
) -> None:
    bundle = tmp_path / "b.zip"
    results = distsweep.analyse(session)
    write_bundle(bundle, read_session(session), results)
    assert to_json(distsweep.analyse(bundle)) == to_json(results)
    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(tmp_path / "by hand")
    by_hand = distsweep.analyse(tmp_path / "by hand")
    for one, other in zip(results.takes, by_hand.takes, strict=True):
        for rung, same in zip(one.rungs, other.rungs, strict=True):
            assert np.array_equal(rung.thd_db, same.thd_db, equal_nan=True)
    assert by_hand.provenance is not None and results.provenance is not None
    sums = [[one.sha256 for one in made.recordings]
            for made in (by_hand.provenance, results.provenance)]  # fmt: skip
    assert sums[0] == sums[1]


def test_the_same_content_gives_the_same_bytes(session: Path, tmp_path: Path) -> None:
    results, opened = distsweep.analyse(session), read_session(session)
    for name in ("a.zip", "b.zip"):
        write_bundle(tmp_path / name, opened, results)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


@pytest.mark.long
def test_a_bundle_is_packed_from_a_bundle(session: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "a.zip", tmp_path / "b.zip"
    ran = run_main("analyse", str(session), "--no-report", "--bundle", str(first))
    assert ran.exit_code == 0, ran.stderr
    ran = run_main("analyse", str(first), "--no-report", "--bundle", str(second))
    assert ran.exit_code == 0, ran.stderr
    texts = [packed(path)["results/results.json"] for path in (first, second)]
    assert texts[0] == texts[1]
    of_inputs = [{k: v for k, v in packed(path).items() if k.endswith((".flac", ".wav", ".txt"))}
                 for path in (first, second)]  # fmt: skip
    assert of_inputs[0] == of_inputs[1]
    before = first.read_bytes()
    ran = run_main("analyse", str(first), "--no-report", "--bundle", str(first))
    assert ran.exit_code == 3 and "is what is analysed" in ran.stderr
    assert first.read_bytes() == before


@pytest.mark.parametrize("as_sound", [False, True], ids=["sidecar", "sound file"])
def test_a_recording_without_a_session_is_bundled(
    recorded: Recorded, tmp_path: Path, as_sound: bool
) -> None:
    """Three runs, of which the last is spoilt: takes, warnings and numbers come again."""
    runs = [recorded.heard(1), 0.5 * recorded.heard(2), recorded.heard(3)]
    first = recorded.one.stimulus.files[0].rungs[0].start_sample
    swept = slice(first, first + recorded.one.stimulus.sweep.samples)
    runs[2][swept] = runs[2][swept][::-1]  # another sweep between its markers
    path = tmp_path / "all of it.wav"
    soundfile.write(path, np.concatenate(runs), RATE_HZ, subtype="PCM_16")
    shutil.copy(recorded.one.folder / "one.wav", tmp_path)
    shutil.copy(recorded.one.sidecar, tmp_path)
    stimulus = tmp_path / ("one.wav" if as_sound else "one.json")
    bundle = tmp_path / "out" / "sent.zip"
    ran = run_main("analyse", str(path), "--stimulus", str(stimulus), "--no-report",
                   "--bundle", str(bundle))  # fmt: skip
    assert ran.exit_code == 0, ran.stderr
    direct = (tmp_path / "all of it-results" / "results.json").read_text(encoding="utf-8")
    assert '"axis 2"' in direct and '"run_left_out"' in direct and '"several_runs"' in direct
    names = {"all of it.flac", stimulus.name, "one.json"}
    assert {f"elsewhere/0/{name}" for name in names} <= set(packed(bundle))
    for made in (path, tmp_path / "one.wav", tmp_path / "one.json"):
        made.unlink()
    ran = run_main("analyse", str(bundle), "--no-report")
    assert ran.exit_code == 0, ran.stderr
    again = bundle.parent / "sent-results" / "results.json"
    assert again.read_text(encoding="utf-8") == direct


def test_a_sweep_of_another_program_is_found_again(recorded: Recorded, tmp_path: Path) -> None:
    """The sound file that was played, without any sidecar, is packed as it is."""
    played = tmp_path / "played.wav"
    soundfile.write(played, recorded.one.waveform, RATE_HZ, subtype="PCM_16")
    path = tmp_path / "axis.wav"
    soundfile.write(path, recorded.heard(1), RATE_HZ, subtype="PCM_24")
    opened = recording_session(path, stimulus=played)
    results = distsweep.analyse(opened)
    write_bundle(tmp_path / "b.zip", opened, results)
    assert packed(tmp_path / "b.zip")["elsewhere/0/played.wav"] == played.read_bytes()
    assert to_json(distsweep.analyse(tmp_path / "b.zip")) == to_json(results)


def unpacked_recording(recorded: Recorded, path: Path, bundle: Path) -> Iterator[Path]:
    opened = recording_session(path, stimulus=recorded.one.sidecar)
    results = sample_results(sample_take(points=10, levels_dbfs=(-10.0,)))
    write_bundle(bundle, opened, results)
    with opened_bundle(bundle) as session:
        yield session.takes[0].recordings[0]


FORMS = [
    ("WAV", "PCM_U8", 48000, 1, True),
    ("WAV", "PCM_16", 44100, 2, True),
    ("WAV", "PCM_24", 96000, 8, True),
    ("WAVEX", "PCM_24", 48000, 9, False),
    ("AIFF", "PCM_S8", 48000, 1, True),
    ("W64", "PCM_16", 48000, 1, True),
    ("FLAC", "PCM_16", 48000, 1, True),
    ("WAV", "PCM_24", 768000, 1, False),
    ("WAV", "PCM_32", 48000, 1, False),
    ("WAV", "FLOAT", 48000, 2, False),
    ("WAV", "DOUBLE", 48000, 1, False),
    ("WAV", "ULAW", 48000, 1, False),
    ("OGG", "VORBIS", 48000, 1, False),
]


@pytest.mark.parametrize(("container", "subtype", "rate_hz", "channels", "as_flac"), FORMS)
def test_every_bit_of_a_recording_is_kept(
    recorded: Recorded, tmp_path: Path, rng: np.random.Generator,
    container: str, subtype: str, rate_hz: int, channels: int, as_flac: bool,
) -> None:  # fmt: skip
    path = tmp_path / "a take.bin"
    samples = rng.uniform(-1.0, 1.0, (5000, channels))
    samples[:4] = [[-1.0] * channels, [1.0] * channels, [0.0] * channels, [2.0**-31] * channels]
    if subtype in ("FLOAT", "DOUBLE"):
        samples[4] = 3.7
    soundfile.write(path, samples, rate_hz, subtype=subtype, format=container)
    bundle = tmp_path / "b.zip"
    (file,) = unpack_names(recorded, path, bundle)
    assert file.endswith(".flac") == as_flac
    for place in unpacked_recording(recorded, path, bundle):
        assert place.name == path.name
        sound = open_sound(place)
        assert (sound.rate_hz, sound.channels, sound.samples) == (rate_hz, channels, 5000)
        assert (sound.container == "FLAC") == as_flac
        assert sound.step == open_sound(path).step
        read = [soundfile.read(one, dtype="float64", always_2d=True)[0] for one in (path, place)]
        assert np.array_equal(*read)
        assert sample_sha256(place) == sample_sha256(path)


def unpack_names(recorded: Recorded, path: Path, bundle: Path) -> list[str]:
    for _ in unpacked_recording(recorded, path, bundle):
        pass
    return [file["name"] for file in manifest_of(bundle)["files"] if "a take" in file["name"]]


def test_names_that_other_systems_refuse_are_changed(recorded: Recorded, tmp_path: Path) -> None:
    path = tmp_path / 'a:"take"?.wav'
    soundfile.write(path, np.zeros(100) + 0.5, RATE_HZ, subtype="PCM_16")
    for place in unpacked_recording(recorded, path, tmp_path / "b.zip"):
        assert place.name == "a__take__.wav"
        assert sample_sha256(place) == sample_sha256(path)
    parse_manifest(packed(tmp_path / "b.zip")["manifest.json"])


def test_tables_and_page_are_in_the_bundle(recorded: Recorded, tmp_path: Path) -> None:
    shutil.copy(recorded.one.sidecar, tmp_path)
    path = tmp_path / "axis.wav"
    soundfile.write(path, recorded.heard(1), RATE_HZ, subtype="PCM_24")
    bundle = tmp_path / "b.zip"
    ran = run_main("analyse", str(path), "--stimulus", str(tmp_path / "one.json"), "-o",
                   str(tmp_path / "out"), "--bundle", str(bundle))  # fmt: skip
    assert ran.exit_code == 0, ran.stderr
    written = {p.relative_to(tmp_path / "out").as_posix() for p in (tmp_path / "out").rglob("*")
               if p.is_file() and not p.name.startswith(".")}  # fmt: skip
    in_it = {name.removeprefix("results/") for name in packed(bundle) if "results/" in name}
    assert written == in_it
    assert {"report/report.html", "tables/axis-distortion.csv", "results.json"} <= in_it
    assert "bundle: " in ran.stderr


def test_results_that_were_changed_in_the_bundle_show(recorded: Recorded, tmp_path: Path) -> None:
    """Somebody packs other results with right checksums: whoever analyses is told."""
    shutil.copy(recorded.one.sidecar, tmp_path)
    path = tmp_path / "axis.wav"
    soundfile.write(path, recorded.heard(1), RATE_HZ, subtype="PCM_24")
    opened = recording_session(path, stimulus=tmp_path / "one.json")
    results = distsweep.analyse(opened)
    rung = results.takes[0].rungs[0]
    rung.thd_db[5] -= 6.0
    write_bundle(tmp_path / "b.zip", opened, results)
    ran = run_main("analyse", str(tmp_path / "b.zip"), "--no-report")
    assert ran.exit_code == 0
    assert (
        "1 differ from the results in the bundle, by at most 6 (at takes[0].rungs[0].thd_db[5])"
        in ran.stderr
    )


def test_a_recording_that_is_exchanged_meanwhile_is_not_packed(
    recorded: Recorded, tmp_path: Path
) -> None:
    shutil.copy(recorded.one.sidecar, tmp_path)
    path = tmp_path / "axis.wav"
    soundfile.write(path, recorded.heard(1), RATE_HZ, subtype="PCM_24")
    opened = recording_session(path, stimulus=tmp_path / "one.json")
    results = distsweep.analyse(opened)
    soundfile.write(path, recorded.heard(2), RATE_HZ, subtype="PCM_24")
    with pytest.raises(distsweep.InputError, match=r"axis\.wav was changed since it was analysed"):
        write_bundle(tmp_path / "b.zip", opened, results)
    assert not (tmp_path / "b.zip").exists()


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        ({"a": [1.0, 2, None], "b": "x"}, (2, 0, 0.0, 0)),
        ({"a": [1.0 + 5e-10, 2.0, None], "b": "x"}, (2, 0, 0.0, 0)),
        ({"a": [1.25, 2, None], "b": "x"}, (2, 1, 0.25, 0)),
        ({"a": [1.0, None, None], "b": "y"}, (1, 0, 0.0, 2)),
        ({"a": [1.0, 2], "c": "x"}, (2, 0, 0.0, 3)),
        ({"a": [True, 2, None], "b": "x"}, (1, 0, 0.0, 1)),
        ({"a": [1.0, 2, None], "b": "x", "provenance": {"created": "now"}}, (2, 0, 0.0, 1)),
    ],
)
def test_what_differs_between_results_is_counted(
    other: dict[str, Any], expected: tuple[int, int, float, int]
) -> None:
    one = {"a": [1.0, 2, None], "b": "x"}
    for pair in ((one, other), (other, one)):
        found = likeness(*map(json.dumps, pair))
        assert (found.numbers, found.differing, found.largest, found.others) == expected
    made = [json.dumps({"provenance": {"created": day, "settings": 1}}) for day in "ab"]
    assert likeness(*made) == Likeness(numbers=1)
