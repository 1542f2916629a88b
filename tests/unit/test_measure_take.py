"""One way to a take: the pipeline and the judge of a capture measure the same, in the same unit."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from distsweep import results
from distsweep.analysis.take import measure_take
from distsweep.capture.judge import judge_rung
from distsweep.results import Conditions, Device, read_results, to_json, write_results
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.take import find_take, take_settings

GAIN = 0.5
LEVEL_DBFS = -30.0 + 20.0 * np.log10(GAIN)
"""Level of a sine at −30 dBFS behind a flat gain."""


@pytest.mark.parametrize(
    ("calibration", "offset_db"),
    [(Calibration(), 0.0), (Calibration(pascal_per_fs=2.0), 100.0)],
    ids=["uncalibrated", "100 dB SPL at full scale"],
)
def test_a_level_is_a_sound_pressure_only_where_it_was_calibrated(
    make_bench, calibration: Calibration, offset_db: float
) -> None:
    """2 Pa are 100 dB re 20 µPa; without a calibration a level stays in dBFS, and is no SPL."""
    bench = make_bench(levels_dbfs=[-30, -24], split=True)
    paths = [
        bench.record(GAIN * wave, name=f"{number}.wav")
        for number, wave in enumerate(bench.waveforms)
    ]
    found = find_take(TakeEntry("axis", bench.sidecar, tuple(paths)))
    settings = take_settings(bench.stimulus.recipe, calibration, Conditions())
    measured = measure_take(found.cut, settings)
    assert measured.level_db == pytest.approx([LEVEL_DBFS + offset_db, LEVEL_DBFS + 6 + offset_db],
                                              abs=0.01)  # fmt: skip
    spl_db = [rung.spl_db for rung in measured.rungs]
    assert spl_db == (measured.level_db if offset_db else [None, None])
    verdict = judge_rung(
        bench.stimulus,
        bench.stimulus.files[0],
        paths[0],
        channel=1,
        calibration=calibration,
        conditions=Conditions(),
    )
    assert verdict.level_db == pytest.approx(measured.level_db[0], abs=1e-6)


def test_what_was_not_noted_is_not_in_the_file(make_bench, tmp_path) -> None:
    bench = make_bench(levels_dbfs=[-30])
    found = bench.analyse(GAIN * bench.waveform)
    data = json.loads(to_json(found))
    assert data["device"] == {} and data["calibration"] == {}
    assert data["conditions"] == {"level_band_hz": [300.0, 3000.0]}
    noted = dataclasses.replace(
        found,
        device=Device("Brindlemoor Tarnbick 4", (180.0, 240.0, 150.0)),
        conditions=Conditions(distance_m=0.5),
    )
    assert list(json.loads(to_json(noted))["device"]) == ["name", "cabinet_mm"]
    write_results(noted, tmp_path / "results.json")
    read = read_results(tmp_path / "results.json")
    assert (read.device, read.conditions) == (noted.device, noted.conditions)


def test_records_of_a_ladder_are_frozen() -> None:
    kinds = (
        *(results.Background, results.Compression, results.Conditions, results.Device),
        *(results.HarmonicCurve, results.HighOrderOnset, results.RecordedCalibration),
        *(results.Results, results.Rung, results.Take, results.Thd, results.Tone),
        results.Warning_,
    )
    for kind in kinds:
        record = object.__new__(kind)
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(record, dataclasses.fields(kind)[0].name, None)
