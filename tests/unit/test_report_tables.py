"""The CSV tables, read back with csv; and the wording of numbers."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from report_samples import sample_results, sample_take

from distsweep.report import write_tables
from distsweep.report.distortion.csv_table import LEADING_COLUMNS
from distsweep.report.names import safe_name, unique_names
from distsweep.words import wording


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_columns_keep_their_names(tmp_path: Path) -> None:
    path = write_tables(sample_results(sample_take(points=10)), tmp_path)[0]
    header = path.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert header[: len(LEADING_COLUMNS)] == [
        "frequency_hz", "drive_dbfs", "spl_db", "clipped",
        "fundamental_db_spl", "fundamental_low_db_spl", "fundamental_high_db_spl",
        "fundamental_dbfs", "fundamental_low_dbfs", "fundamental_high_dbfs",
        "fundamental_floor_db_spl", "fundamental_floor_dbfs", "fundamental_reliable",
        "gain_change_db", "gain_change_low_db", "gain_change_high_db", "gain_change_reliable",
        "thd_db", "thd_low_db", "thd_high_db",
        "thd_percent", "thd_low_percent", "thd_high_percent",
        "thd_re_total_percent", "thd_floor_db", "thd_reliable", "orders_summed", "high_order_db",
        "high_order_floor_db", "impulsive_db", "damage",
    ]  # fmt: skip
    assert header[len(LEADING_COLUMNS) :][:7] == [
        "h2_db", "h2_low_db", "h2_high_db", "h2_floor_db", "h2_reliable", "h2_input_referred_db",
        "h3_db",
    ]  # fmt: skip
    assert header[-1] == "h10_input_referred_db"


def test_a_row_a_frequency_and_rung_holds_the_values(tmp_path: Path) -> None:
    take = sample_take(points=40)
    path = write_tables(sample_results(take), tmp_path)[0]
    rows = read_rows(path)
    assert len(rows) == 40 * len(take.rungs)
    assert take.compression is not None
    for index, rung in enumerate(take.rungs):
        for point in (0, 17, 39):
            row = rows[index * 40 + point]
            expected = {
                "frequency_hz": take.frequency_hz[point],
                "drive_dbfs": rung.drive_dbfs,
                "spl_db": rung.spl_db,
                "fundamental_db_spl": rung.fundamental_db[point],
                "gain_change_db": take.compression.gain_change_db[index][point],
                "thd_db": rung.thd_db[point],
                "thd_percent": rung.thd_percent[point],
                "h3_db": rung.harmonics[3].level_db[point],
                "h3_input_referred_db": rung.harmonics[3].input_referred_db[point],
            }
            for name, value in expected.items():
                if value is None or math.isnan(value):
                    assert row[name] == ""
                else:
                    assert float(row[name]) == pytest.approx(value, abs=6e-4)
            assert row["h3_reliable"] == str(bool(rung.harmonics[3].reliable[point])).lower()
            clear = rung.fundamental_db - rung.fundamental_floor_db >= 25.0
            assert row["fundamental_reliable"] == str(bool(clear[point])).lower()
            shown = math.isfinite(take.compression.gain_change_db[index][point])
            assert row["gain_change_reliable"] == str(shown).lower()
            assert row["thd_reliable"] == str(bool(rung.thd_reliable[point])).lower()
            assert row["orders_summed"] == str(int(rung.orders_summed[point]))
            assert row["fundamental_dbfs"] == ""


def test_what_does_not_exist_is_empty_and_never_nan(tmp_path: Path) -> None:
    take = sample_take(points=20, levels_dbfs=(-10.0,), calibrated=False)
    take.rungs[0].thd_db[3] = -np.inf
    take.rungs[0].orders_summed[3] = 0
    path = write_tables(sample_results(take), tmp_path)[0]
    text = path.read_text(encoding="utf-8")
    assert "nan" not in text.lower()
    assert "inf" not in text.lower()
    rows = read_rows(path)
    assert rows[3]["thd_db"] == ""
    assert {row["h10_db"] for row in rows[-3:]} == {""}  # 10 × 14 kHz lies outside the band
    for name in ("spl_db", "fundamental_db_spl", "gain_change_db", "gain_change_reliable"):
        assert {row[name] for row in rows} == {""}
    assert float(rows[0]["fundamental_dbfs"]) == pytest.approx(
        take.rungs[0].fundamental_db[0], abs=6e-4
    )


def test_a_harmonic_that_one_rung_lacks_is_empty_there(tmp_path: Path) -> None:
    take = sample_take(points=10, levels_dbfs=(-20.0, -10.0), orders=range(2, 4))
    del take.rungs[0].harmonics[3]
    rows = read_rows(write_tables(sample_results(take), tmp_path)[0])
    assert {row["h3_reliable"] for row in rows[:10]} == {""}
    assert rows[10]["h3_db"] != ""


def test_names_from_free_text_are_safe_and_unique(tmp_path: Path) -> None:
    positions = ["axis", "axis", "../../etc", "30° links / oben", "音響", "", "axis-2", "A" * 300]
    takes = [sample_take(position=p, points=5, levels_dbfs=(-10.0,)) for p in positions]
    paths = write_tables(sample_results(*takes), tmp_path / "new" / "folder")
    names = [path.name for path in paths if path.stem.endswith("-distortion")]
    assert names == [
        "axis-distortion.csv", "axis-2-distortion.csv", "etc-distortion.csv",
        "30-links-oben-distortion.csv", "take-distortion.csv", "take-2-distortion.csv",
        "axis-2-2-distortion.csv", "a" * 40 + "-distortion.csv",
    ]  # fmt: skip
    assert all(path.parent == tmp_path / "new" / "folder" and path.is_file() for path in paths)


def test_unique_names_never_meet() -> None:
    names = unique_names(["a", "a-2", "a", "a", "a-2"])
    assert len(set(names)) == 5
    assert safe_name("Çéñtre!") == "centre"


def test_other_files_stay_and_takes_without_a_ladder_are_passed_over(tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text("1,2")
    take = sample_take(points=5, levels_dbfs=())
    assert [p.name for p in write_tables(sample_results(take), tmp_path)] == ["background.csv"]
    assert (tmp_path / "mine.csv").read_text() == "1,2"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (wording.percent(0.0123), "0.012 %"),
        (wording.percent(3.14), "3.1 %"),
        (wording.percent(127.4), "127 %"),
        (wording.percent(0.0), "0 %"),
        (wording.frequency(47.31), "47.3 Hz"),
        (wording.frequency(999.9), "1 kHz"),
        (wording.frequency(12500.0), "12.5 kHz"),
        (wording.decibels(-0.04), "0.0 dB"),
        (wording.decibels(-30.25, "dB SPL"), "−30.2 dB SPL"),
        (wording.drive(-10.0), "−10 dBFS"),
        (wording.drive(-7.5), "−7.5 dBFS"),
        (wording.short_frequency(1250.0), "1.25k"),
        (wording.ordinal(2) + wording.ordinal(11) + wording.ordinal(23), "2nd11th23rd"),
    ],
)
def test_numbers_in_words(text: str, expected: str) -> None:
    assert text.replace("\N{NO-BREAK SPACE}", " ") == expected
