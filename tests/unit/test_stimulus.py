"""Recipes, sweeps, markers, layout and sidecars."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from capture_bench import run_main
from conftest import ladder_recipe

from distsweep.errors import InputError
from distsweep.stimulus.bursts import lay_out_staircase
from distsweep.stimulus.layout import lay_out, render
from distsweep.stimulus.recipe import LadderRecipe, parse_recipe, read_recipe, shipped_folder
from distsweep.stimulus.sidecar import read_sidecar
from distsweep.stimulus.sweep import design_sweep, shortest_sweep_s
from distsweep.stimulus.write import write_stimulus

SHIPPED = sorted(path.stem for path in shipped_folder().glob("*.toml"))


def test_three_recipes_or_more_ship() -> None:
    assert {"quick-look", "full-ladder", "near-field"} <= set(SHIPPED)


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_recipes_are_read_by_bare_name(name: str) -> None:
    recipe = read_recipe(name)
    assert recipe.name == name


@pytest.mark.parametrize("name", SHIPPED)
def test_what_is_written_of_a_shipped_recipe_is_its_length(name: str) -> None:
    """In the table of recipes, and in the recipe's own remark."""
    recipe = read_recipe(name)
    lay = lay_out if isinstance(recipe, LadderRecipe) else lay_out_staircase
    seconds = sum(file.samples for file in lay(recipe).files) / recipe.rate_hz
    table = (shipped_folder() / "README.md").read_text(encoding="utf-8")
    (row,) = [line for line in table.splitlines() if line.startswith(f"| `{name}`")]
    assert row.split("|")[3].strip() == f"{seconds:.0f} s"
    remark = (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8").split("kind =")[0]
    for minutes, said in re.findall(r"(?:(\d+) min )?\b(\d\d+) s\b", remark):
        assert 60 * int(minutes or 0) + int(said) == round(seconds)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("quick-look", "16 s; the loudest rung is 16 dB louder than the first"),
        ("three-tones", "61 s; the loudest burst is 24 dB louder than the first"),
    ],
)
def test_the_command_says_how_long_and_how_loud(tmp_path: Path, name: str, said: str) -> None:
    ran = run_main("stimulus", name, "-o", str(tmp_path), "--format", "flac")
    assert ran.exit_code == 0 and said in ran.stderr


def test_the_former_name_of_a_key_is_read_in_recipes_and_sidecars(tmp_path: Path) -> None:
    recipe = ladder_recipe(levels_dbfs=[-30], reduce_drive_below_hz=300.0)
    stimulus, _ = write_stimulus(recipe, tmp_path)
    sidecar = tmp_path / f"{recipe.name}.json"
    former = sidecar.read_text().replace("reduce_drive_below_hz", "spare_below_hz")
    assert former.count("spare_below_hz") == 2  # in the recipe and in the sweep
    sidecar.write_text(former)
    assert read_sidecar(sidecar) == stimulus
    data = json.loads(json.dumps(recipe.as_dict()))  # lists, as in a file
    keys = {k: v for k, v in data.items() if k != "reduce_drive_below_hz"}
    assert parse_recipe({**keys, "spare_below_hz": 300.0}, "recipe") == recipe
    with pytest.raises(InputError, match="spare_below_hz is the former name of reduce_drive_below"):
        parse_recipe({**data, "spare_below_hz": 300.0}, "recipe")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"kind": "march"}, r"kind is 'march'"),
        ({"rate_hz": 22050}, r"rate_hz is 22050: must lie between 44100 and 192000"),
        ({"rate_hz": 48000.5}, r"rate_hz is 48000\.5: must be a whole number"),
        ({"band_hz": [20, 23990], "sweep_s": 8}, r"band_hz ends at 23990, above .* raise rate_hz"),
        ({"band_hz": [100, 300]}, r"band_hz is 100 to 300: .* two octaves"),
        ({"band_hz": [100]}, r"band_hz has 1 numbers: must have 2"),
        ({"band_hz": [20, 16000]}, r"sweep_s is 2: too short .* 20 Hz: make it 2\.\d or more"),
        ({"levels_dbfs": [-10, 1]}, r"levels_dbfs reaches 1: must be 0 dBFS or less"),
        ({"levels_dbfs": [-10, -20]}, r"levels_dbfs must rise"),
        ({"levels_dbfs": []}, r"levels_dbfs is \[\]: must be a list of numbers"),
        ({"levels_dbfs": [True]}, r"must be a list of numbers"),
        ({"levels_dbfs": [float("nan")]}, r"must be a list of numbers"),
        ({"order": 1}, r"order is 1: must be a whole number, 2 or more"),
        ({"order": 99}, r"order is 99: must be 40 or less"),
        ({"quiet_s": 0.1}, r"quiet_s is 0\.1: must be 0\.5 or more"),
        ({"return_rung": "yes"}, r"return_rung is 'yes': must be true or false"),
        ({"name": "a/b"}, r"name is 'a/b': it becomes a file's name"),
        ({"name": ""}, r"name is '': must be a text"),
        (
            {"reduce_drive_below_hz": 30000},
            r"reduce_drive_below_hz is 30000: must lie inside the band",
        ),
        ({"sweeps_s": 3}, r"unknown key 'sweeps_s': did you mean 'sweep_s'\?"),
        ({"levels_dbfs": None}, r"levels_dbfs is missing: add it"),
    ],
    ids=lambda value: next(iter(value), "") if isinstance(value, dict) else "",
)
def test_what_cannot_work_is_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        ladder_recipe(**changes)
    assert "\n" not in str(caught.value)


def test_the_shortest_sweep_named_is_accepted() -> None:
    shortest = shortest_sweep_s(rate_hz=48000, band_hz=(20.0, 16000.0))
    assert ladder_recipe(band_hz=[20, 16000], sweep_s=shortest).sweep_s == shortest
    with pytest.raises(InputError, match="too short"):
        ladder_recipe(band_hz=[20, 16000], sweep_s=shortest - 0.2)


def test_a_recipe_that_is_not_there_names_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean 'full-ladder'"):
        read_recipe("full-lader")
    with pytest.raises(InputError, match="neither a file nor shipped"):
        read_recipe("nowhere/at-all.toml")


def test_sweep_frequency_and_amplitude() -> None:
    """Count zero crossings: between two of the same sign lies one period of f(t)."""
    sweep = design_sweep(rate_hz=48000, band_hz=(20.0, 20000.0), sweep_s=8.0)
    samples = sweep.waveform()
    assert len(samples) == sweep.samples == 384000
    assert np.max(np.abs(samples)) <= 1.0
    assert sweep.start_hz < 20.0 and 20000.0 < sweep.stop_hz < 24000.0
    rising = np.flatnonzero((samples[:-1] < 0.0) & (samples[1:] >= 0.0)).astype(float)
    rising += -samples[rising.astype(int)] / np.diff(samples)[rising.astype(int)]
    middle = 0.5 * (rising[1:] + rising[:-1]) / 48000.0
    expected = sweep.start_hz * np.exp(middle / sweep.rate_constant_s)
    held = (expected > 20.0) & (expected < 2000.0)
    # A period's mean frequency differs from that at its middle by (T/L)²/24: 0.1 % at 20 Hz.
    assert np.allclose((1.0 / np.diff(rising) * 48000.0)[held], expected[held], rtol=2e-3)
    full = samples[int(sweep.time_of_s(20.0) * 48000) : int(sweep.time_of_s(20000.0) * 48000)]
    assert np.max(np.abs(full)) > 0.9999
    assert samples[0] == 0.0 and abs(samples[-1]) < 1e-3


def test_the_drive_falls_below_the_corner() -> None:
    reduced = design_sweep(
        rate_hz=48000, band_hz=(20.0, 20000.0), sweep_s=8.0, reduce_drive_below_hz=60.0
    )
    whole = design_sweep(rate_hz=48000, band_hz=(20.0, 20000.0), sweep_s=8.0)
    frequency = np.array([15.0, 30.0, 60.0, 120.0, 2000.0])
    ratio_db = 20.0 * np.log10(reduced.drive_ratio(frequency))
    assert ratio_db[2] == pytest.approx(-3.01, abs=0.01)
    assert ratio_db[0] - ratio_db[1] == pytest.approx(-12.0, abs=0.5)
    assert ratio_db[4] == pytest.approx(0.0, abs=1e-3)
    at = int(whole.time_of_s(30.0) * 48000)
    piece = slice(at - 800, at + 800)
    lowered = np.max(np.abs(reduced.waveform()[piece])) / np.max(np.abs(whole.waveform()[piece]))
    assert 20.0 * np.log10(lowered) == pytest.approx(ratio_db[1], abs=0.4)


def test_layout_and_levels() -> None:
    recipe = ladder_recipe(levels_dbfs=[-30, -20, -10], return_rung=True, repeats=2)
    stimulus = lay_out(recipe)
    (file,) = stimulus.files
    samples = render(stimulus, file)
    assert [r.role for r in file.rungs] == ["rung"] * 6 + ["return"] * 2
    assert [r.repeat for r in file.rungs] == [0, 1] * 4
    for rung in file.rungs:
        part = samples[rung.start_sample : rung.start_sample + stimulus.sweep.samples]
        assert 20.0 * np.log10(np.max(np.abs(part))) == pytest.approx(rung.drive_dbfs, abs=0.01)
    quiet = samples[slice(*file.quiet_samples)]
    assert len(quiet) == 1.5 * 48000 and not np.any(quiet)
    assert np.max(np.abs(samples[: file.quiet_samples[0]])) > 0.0
    assert 20.0 * np.log10(np.max(np.abs(samples))) <= -10.0 + 1e-9
    starts = np.diff([r.start_sample for r in file.rungs])
    assert np.all(starts == stimulus.rung_samples)


def test_markers_are_never_louder_than_the_last_rung() -> None:
    assert lay_out(ladder_recipe(levels_dbfs=[-30])).marker.level_dbfs == -30.0
    assert lay_out(ladder_recipe(levels_dbfs=[-50, -10])).marker.level_dbfs == -40.0


@pytest.mark.parametrize(
    ("sample_format", "ending", "subtype", "tolerance"),
    [("wav24", ".wav", "PCM_24", 2e-7), ("float", ".wav", "FLOAT", 1e-7),
     ("flac", ".flac", "PCM_24", 2e-7)],
)  # fmt: skip
def test_written_files(
    tmp_path: Path, sample_format: str, ending: str, subtype: str, tolerance: float
) -> None:
    recipe = ladder_recipe(return_rung=True)
    stimulus, paths = write_stimulus(recipe, tmp_path, sample_format=sample_format)
    sound, sidecar = paths
    assert sound == tmp_path / f"short{ending}" and sidecar == tmp_path / "short.json"
    assert soundfile.info(sound).subtype == subtype
    samples, rate_hz = soundfile.read(sound)
    assert rate_hz == 48000
    assert np.max(np.abs(samples - render(stimulus, stimulus.files[0]))) <= tolerance
    data = json.loads(sidecar.read_text())
    for key in tomllib.loads((shipped_folder() / "full-ladder.toml").read_text()):
        assert key in data
    assert data["files"][0]["sha256"] == hashlib.sha256(sound.read_bytes()).hexdigest()
    assert read_sidecar(sidecar) == stimulus


def test_split_writes_one_file_a_rung(tmp_path: Path) -> None:
    stimulus, paths = write_stimulus(ladder_recipe(return_rung=True), tmp_path, split=True)
    assert [p.name for p in paths] == ["short-01.wav", "short-02.wav", "short-03.wav", "short.json"]
    assert [f.rungs[0].role for f in stimulus.files] == ["rung", "rung", "return"]


def test_another_stimulus_of_that_name_is_kept(tmp_path: Path) -> None:
    write_stimulus(ladder_recipe(), tmp_path)
    write_stimulus(ladder_recipe(), tmp_path, sample_format="flac")
    before = (tmp_path / "short.json").read_bytes()
    with pytest.raises(InputError, match="another stimulus of this name"):
        write_stimulus(ladder_recipe(levels_dbfs=[-40, -30]), tmp_path)
    assert (tmp_path / "short.json").read_bytes() == before


@pytest.mark.parametrize("with_a_sidecar", [False, True])
@pytest.mark.parametrize("split", [False, True])
def test_a_recording_of_that_name_is_kept(
    with_a_sidecar: bool, split: bool, tmp_path: Path, rng: np.random.Generator
) -> None:
    """Even one as long as the stimulus; and nothing is written beside it."""
    stimulus, paths = write_stimulus(ladder_recipe(), tmp_path, split=split)
    recording = paths[-2]  # the last sound file
    noise = 0.01 * rng.standard_normal(soundfile.info(recording).frames)
    soundfile.write(recording, noise, 48000, subtype="PCM_24")
    for path in paths:
        if path not in (recording, paths[-1] if with_a_sidecar else recording):
            path.unlink()
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(InputError, match=rf"{recording.name}: is there, and is not this stimulus"):
        write_stimulus(stimulus.recipe, tmp_path, split=split)
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.parametrize("sample_format", ["wav24", "float", "flac"])
def test_a_stimulus_is_written_again_with_its_sidecar_or_without(
    sample_format: str, tmp_path: Path
) -> None:
    first, paths = write_stimulus(ladder_recipe(), tmp_path, sample_format="float")
    write_stimulus(ladder_recipe(), tmp_path, sample_format=sample_format)
    paths[-1].unlink()
    again, _ = write_stimulus(ladder_recipe(), tmp_path, sample_format=sample_format)
    assert again.recipe == first.recipe


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(schema="distsweep.stimulus/9"), "this version reads"),
        (lambda d: d.pop("sweep"), "damaged"),
        (lambda d: d.update(files=[]), "damaged"),
        (lambda d: d.pop("levels_dbfs"), "levels_dbfs is missing"),
    ],
    ids=["version", "no sweep", "no files", "no levels"],
)
def test_sidecars_that_cannot_be_used(tmp_path: Path, change, message: str) -> None:
    _, paths = write_stimulus(ladder_recipe(), tmp_path)
    data = json.loads(paths[-1].read_text())
    change(data)
    paths[-1].write_text(json.dumps(data))
    with pytest.raises(InputError, match=message):
        read_sidecar(paths[-1])


def test_the_recipe_keys_are_the_contract_s() -> None:
    keys = set(LadderRecipe.__dataclass_fields__)
    assert {
        "kind", "name", "rate_hz", "band_hz", "sweep_s", "levels_dbfs", "order", "quiet_s",
        "pause_s", "return_rung", "repeats", "reduce_drive_below_hz",
    } <= keys  # fmt: skip
