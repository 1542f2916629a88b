"""What people do with results: read old files, ask for a value, print."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import numpy as np
import pytest
from report_samples import sample_take

from distsweep.errors import InputError
from distsweep.report.facts import condition_terms
from distsweep.results import Damage, Results, Take, read_results, to_json, write_results

CLICK = {"kind": "click", "start_s": 3.1, "end_s": 3.1}


def results_of(*takes: Take) -> Results:
    return Results({}, {}, {}, list(takes), [], None, [])


def test_thd_is_asked_for_by_frequency_and_drive() -> None:
    take = sample_take()
    rung, f = take.rungs[-1], take.frequency_hz
    at = int(np.searchsorted(f, 100.0)) - 1
    share = np.log(100.0 / f[at]) / np.log(f[at + 1] / f[at])
    found = take.thd_at(100, drive_dbfs=rung.drive_dbfs + 0.02)
    assert found.thd_db == pytest.approx(
        rung.thd_db[at] + share * (rung.thd_db[at + 1] - rung.thd_db[at])
    )
    assert found.thd_percent == pytest.approx(100.0 * 10.0 ** (found.thd_db / 20.0))
    assert found.drive_dbfs == rung.drive_dbfs
    assert found.reliable == bool(rung.thd_reliable[at] and rung.thd_reliable[at + 1])
    for end in (0, -1):
        assert take.thd_at(f[end], drive_dbfs=rung.drive_dbfs).thd_db == pytest.approx(
            rung.thd_db[end], nan_ok=True
        )


def test_thd_at_interpolates_the_ends_of_the_interval() -> None:
    take = sample_take()
    rung, f = take.rungs[-1], take.frequency_hz
    ends = {"thd_low_db": rung.thd_db - 1.0, "thd_high_db": rung.thd_db + np.linspace(1, 3, f.size)}
    rung = dataclasses.replace(rung, **ends)
    take = dataclasses.replace(take, rungs=[*take.rungs[:-1], rung])
    at = int(np.searchsorted(f, 100.0)) - 1
    middle_hz = float(np.sqrt(f[at] * f[at + 1]))
    found = take.thd_at(middle_hz, drive_dbfs=rung.drive_dbfs)
    assert found.low_db == pytest.approx(np.mean(rung.thd_low_db[at : at + 2]))
    assert found.high_db == pytest.approx(np.mean(rung.thd_high_db[at : at + 2]))
    assert found.low_percent == pytest.approx(100.0 * 10.0 ** (found.low_db / 20.0))
    assert found.high_percent == pytest.approx(100.0 * 10.0 ** (found.high_db / 20.0))


@pytest.mark.parametrize("nothing", [-np.inf, np.nan], ids=["in memory", "from a file"])
def test_thd_at_says_at_most_where_the_low_end_is_nothing(nothing: float) -> None:
    take = sample_take()
    rung, count = take.rungs[-1], take.frequency_hz.size
    rung = dataclasses.replace(
        rung,
        thd_db=np.full(count, nothing),
        thd_low_db=np.full(count, nothing),
        thd_high_db=np.full(count, -40.0),
    )
    take = dataclasses.replace(take, rungs=[rung])
    found = take.thd_at(100.0, drive_dbfs=rung.drive_dbfs)
    assert (found.thd_db, found.low_db, found.high_db) == (-np.inf, -np.inf, -40.0)
    assert (found.low_percent, found.high_percent) == (0.0, pytest.approx(1.0))


def test_what_was_not_measured_is_refused_with_what_was() -> None:
    take = sample_take()
    drive_dbfs = take.rungs[-1].drive_dbfs
    with pytest.raises(ValueError, match=rf"-3\.3 dBFS was not played; there are .*{drive_dbfs:g}"):
        take.thd_at(100, drive_dbfs=-3.3)
    with pytest.raises(ValueError, match="measured was 20 to"):
        take.thd_at(5.0, drive_dbfs=drive_dbfs)


def test_a_result_prints_in_a_few_lines() -> None:
    take = sample_take()
    for value, most in ((take, 1500), (take.rungs[0], 800), (results_of(take), 500)):
        text = repr(value)
        assert text.startswith(type(value).__name__ + "(") and len(text) < most, text
    assert f"position={take.position!r}" in repr(take)
    assert f"frequency_hz=<{len(take.frequency_hz)} values>" in repr(take)
    assert f"rungs=<{len(take.rungs)} Rung>" in repr(take)


def test_a_file_of_version_1_is_read(tmp_path: Path) -> None:
    """Its ceilings become clean levels, and a ladder's limiter the only one of a list."""
    data = json.loads(to_json(results_of(sample_take())))
    take, count = data["takes"][0], len(data["takes"][0]["frequency_hz"])
    for name in ("limiters", "clean_level", "clean_level_third_octave"):
        del take[name]
    take["limiter"] = {"kind": "limiter", "threshold_dbfs": -14.2, "ratio": 8.0, "evidence": []}
    take["ceiling"] = [{"thd_percent": 1.0, "level_db": [80.0] * count}]  # the first files' shape
    level, drive = [90.0, None, 95.0, None], [-12.0, None, -10.0, None]
    more = count - 4
    take["clean_ceiling"] = [
        {
            "thd_percent": None,
            "compression_db": 1.0,
            "level_db": level + [None] * more,
            "drive_dbfs": drive + [None] * more,
            "reached": [True, True, False, False] + [False] * more,
            "limited_by": ["compression", "compression", "", "contradicted"] + [""] * more,
        }
    ]
    data["schema"] = "distsweep.results/1"
    path = tmp_path / "results.json"
    path.write_text(json.dumps(data))
    found = read_results(path).takes[0]
    assert [(one.kind, one.threshold_dbfs) for one in found.limiters] == [("limiter", -14.2)]
    first, second = found.clean_level
    assert first.thd_percent == 1.0 and first.state == ["not reached"] * count
    assert second.state[:5] == ["reached", "below", "not reached", "contradicted", "unknown"]
    assert second.compression_db == 1.0 and np.isnan(second.thd_percent)
    assert second.level_db[[0, 2]] == pytest.approx([90.0, 95.0])
    assert second.low_db[2] == 95.0 and np.isnan(second.low_db[0])
    assert second.limited_by[:4] == ["compression", "compression", "", ""]


def test_damage_is_kept_and_older_files_hold_none(tmp_path: Path) -> None:
    impulses = np.full(480, np.nan)
    impulses[3] = -41.5
    damage = [Damage("lost", 3.1, 3.1, 1, 980.0, 1040.0, 512, bridged=True, sentence="A gap.")]
    take = sample_take()
    rung = dataclasses.replace(take.rungs[1], impulsive_db=impulses)
    take = dataclasses.replace(take, damage=damage, rungs=[take.rungs[0], rung], compression=None)
    path = tmp_path / "results.json"
    write_results(results_of(take), path)
    found = read_results(path).takes[0]
    assert found.damage == damage
    assert found.rungs[0].impulsive_db.size == 0
    np.testing.assert_array_equal(found.rungs[1].impulsive_db, impulses)
    data = json.loads(path.read_text(encoding="utf-8"))
    del data["takes"][0]["damage"], data["takes"][0]["rungs"][1]["impulsive_db"]
    path.write_text(json.dumps(data))
    found = read_results(path).takes[0]
    assert found.damage == [] and found.rungs[1].impulsive_db.size == 0


def test_what_was_noted_reads_as_a_table_and_keeps_what_was_added_by_hand(
    make_bench, tmp_path
) -> None:
    bench = make_bench(levels_dbfs=[-30])
    data = json.loads(to_json(bench.analyse(0.5 * bench.waveform)))
    data["device"] = {"name": "Brindlemoor Tarnbick 4", "serial": "0042"}
    data["conditions"] = {"humidity_percent": 40.0}  # no level band: none is stated then
    path = tmp_path / "results.json"
    path.write_text(json.dumps(data))
    read = read_results(path)
    assert read.device["name"] == read.device.name and read.device["serial"] == "0042"
    assert dict(read.conditions) == {"humidity_percent": 40.0} and not read.calibration
    assert repr(read.conditions) == "Conditions({'humidity_percent': 40.0})"
    assert read.conditions.get("distance_m", 1.0) == 1.0 and "distance_m" not in read.conditions
    assert {"Serial", "Humidity percent"} < {name for name, _ in condition_terms(read)}
    assert "Band a level is averaged over, Hz" not in dict(condition_terms(read))
    write_results(read, path)
    assert json.loads(path.read_text()) == data


@pytest.mark.parametrize(
    ("key", "value"), [("device", None), ("device", {"port_mm": "wide"}), ("conditions", [20.0])]
)
def test_a_table_that_is_none_is_one_clear_line(make_bench, tmp_path, key, value) -> None:
    bench = make_bench(levels_dbfs=[-30])
    data = json.loads(to_json(bench.analyse(0.5 * bench.waveform)))
    path = tmp_path / "results.json"
    path.write_text(json.dumps(data | {key: value}))
    with pytest.raises(InputError, match="is damaged"):
        read_results(path)


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [
        (("takes", 0, "kind"), 5, "5 stands where str is due"),
        (("takes", 0, "frequency_hz", 1), -5.0, "frequency_hz of take 'axis' does not rise"),
        (("takes", 0, "rungs", 0, "drive_dbfs"), None, "a drive_dbfs of take 'axis' is no number"),
        (("takes", 0, "rungs", 0, "clipped"), "no", "'no' stands where bool is due"),
        (("takes", 0, "rungs", 0, "thd_db"), [1.0], "thd_db is not as long as frequency_hz"),
        (("takes", 0, "rungs", 0, "thd_low_db"), [1.0], "thd_low_db is not as long"),
        (("takes", 0, "rungs", 0, "harmonics", "2", "floor_db"), [1.0], "floor_db is not as long"),
        (("takes", 0, "rungs", 0, "impulsive_db"), [1.0], "impulsive_db is not as long"),
        (("takes", 0, "compression", "gain_change_db"), [[1.0]], "gain_change_db is not as long"),
        (("takes", 0, "damage"), [CLICK | {"rung": 2}], "'click' lies in rung 2, of 2"),
        (("takes", 0, "damage"), [CLICK | {"rung": -1}], "'click' lies in rung -1, of 2"),
        (("takes", 0, "damage"), [CLICK | {"samples": 1.5}], "1.5 stands where int is due"),
        (("takes", 0, "damage"), [CLICK | {"start_s": None}], "a time, frequency or size of 'cl"),
        (("takes", 0, "damage"), [{"kind": "click"}], "Damage has no start_s"),
        (("takes", 0, "rungs", 0, "smoothed", 0), {}, "Smoothed has no bands_per_octave"),
        (("takes", 0, "rungs", 0, "thd_db"), [], "thd_db has 0 values beside"),
        (
            ("takes", 0, "rungs", 0, "smoothed", 0, "thd", "level_db"),
            [1.0],
            "level_db has 1 values",
        ),
        (("takes", 0, "rungs", 0, "fundamental_db", 3), 1e4, "fundamental_db holds 10000 dB"),
        (("takes", 0, "rungs", 0, "peak_dbfs"), 10**400, "too large"),
        (("takes", 0, "frequency_hz", 0), "20", "a text stands where a number is due"),
        (("takes", 0, "rungs", 0, "thd_percent", 0), 1e300, "is no level, frequency or time"),
        (("takes", 0, "clean_level", 0, "state"), ["unknown"], "state has 1 values beside"),
    ],
)
def test_a_damaged_field_is_one_clear_line(make_bench, tmp_path, place, value, says) -> None:
    bench = make_bench(levels_dbfs=[-30, -20])
    path = tmp_path / "results.json"
    write_results(bench.analyse(0.5 * bench.waveform), path)
    data = part = json.loads(path.read_text(encoding="utf-8"))
    for key in place[:-1]:
        part = part[key]
    part[place[-1]] = value
    path.write_text(json.dumps(data))
    with pytest.raises(InputError, match=re.escape(says)) as caught:
        read_results(path)
    assert "is damaged" in str(caught.value) and "\n" not in str(caught.value)


def test_sweeps_of_digital_silence_are_refused_without_a_word_of_numpy(make_bench) -> None:
    bench = make_bench(levels_dbfs=[-30, -20])
    file = bench.stimulus.files[0]
    wave = 0.5 * bench.waveform
    wave[file.rungs[0].start_sample - 2000 : file.end_marker_sample - 2000] = 0.0
    with pytest.raises(InputError, match="are not this stimulus's, or drown in noise"):
        bench.analyse(wave)
