"""The library's face, and what the README shows."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from closed_form import Branch, flat, play
from conftest import RATE_HZ, Bench, Demo, ladder_recipe

import distsweep
from distsweep.rehearsal.demo import demo_loudspeaker

README = Path(__file__).parents[2] / "README.md"


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)


def test_every_public_name_is_there() -> None:
    for name in distsweep.__all__:
        assert getattr(distsweep, name) is not None
    assert set(distsweep.__all__) <= set(dir(distsweep))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = distsweep.nothing


def test_the_readme_s_notebook_lines_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The session of the README's own session.toml, its names kept."""
    (lines,) = blocks("python")
    assert len(lines.strip().splitlines()) < 10
    (session,) = [text for text in blocks("toml") if {"[device]", "[[takes]]"} <= set(text.split())]
    folder = tmp_path / "my-session"
    folder.mkdir()
    recipe = ladder_recipe(name="full-ladder", band_hz=[80, 16000], levels_dbfs=[-20, -10])
    bench = Bench(folder, recipe)
    heard = 0.5 * play([Branch(flat, (1.0, 0.02), flat)], bench.waveform, RATE_HZ)
    bench.record(heard, name="axis.wav")
    (folder / "mic.txt").write_text("20 0\n20000 0\n")
    (folder / "session.toml").write_text(session)
    monkeypatch.chdir(tmp_path)
    exec(compile(lines, "README.md", "exec"), {})  # the point of the test
    spl_db, percent, low, high = (float(word) for word in capsys.readouterr().out.split())
    # −10 dBFS through a gain of ½, 20 Pa for full scale: 120 − 10 − 6.02 dB SPL.
    assert spl_db == pytest.approx(103.98, abs=0.02)
    # H2 of x + 0.02·x² at amplitude 0.316 is 0.02·0.316/2.
    assert percent == pytest.approx(0.316, abs=0.005)
    assert low <= percent <= high and low < 0.316 < high


def test_the_readme_s_filters_are_read(tmp_path: Path) -> None:
    (text,) = [text for text in blocks("toml") if "[[filters]]" in text]
    (tmp_path / "shelf.toml").write_text(text)
    filters = distsweep.read_filters(tmp_path / "shelf.toml")
    assert [one.kind for one in filters] == ["low shelf", "high-pass"]


def test_an_import_is_light() -> None:
    told = subprocess.run(
        [sys.executable, "-c", "import distsweep, sys; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert not {"numpy", "scipy", "matplotlib", "sounddevice", "click"} & set(told)


def facts_of_the_demonstration(results: distsweep.Results) -> None:
    """The simulated loudspeaker's and workshop's own facts are found again."""
    take = results.take("axis")
    f = take.frequency_hz
    # The limiter holds the woofer back in the last rung and leaves the tweeter alone.
    assert take.compression is not None
    change_db = take.compression.gain_change_db[-1]
    assert np.median(change_db[(f > 150) & (f < 900)]) < -2.0
    assert np.median(np.abs(change_db[f > 4000])) < 0.3
    # Common practice, no source: a small woofer is clean at a moderate level, here 80 dB SPL, and
    # in distress 10 dB above.
    by_level = {round(rung.spl_db or 0.0): rung for rung in take.rungs}
    calm = min(by_level, key=lambda spl: abs(spl - 80))
    loud = max(by_level)
    low = (f > 70) & (f < 120)
    assert np.nanmedian(by_level[calm].thd_percent[low]) < 1.5
    assert np.nanmedian(by_level[loud].thd_percent[low]) > 3.0
    # The mains hum of the simulated workshop, 30 dB SPL at 50 Hz.
    assert results.background is not None
    assert results.background.hum[0].frequency_hz == 50.0
    assert results.background.hum[0].level_db == pytest.approx(30.0, abs=1.0)


def test_the_demo_s_resonances_are_found_where_they_were_made(demo: Demo) -> None:
    """One that is set off, one of the cabinet, one of the port, and nothing else."""
    made = sorted((r.frequency_hz, r.kind) for r in demo_loudspeaker().resonances)
    sure = sorted((r.frequency_hz, r.kind) for r in demo.results.resonances if r.confidence >= 0.5)
    assert [kind for _, kind in sure] == [kind for _, kind in made]
    for (found_hz, _), (made_hz, _) in zip(sure, made, strict=True):
        assert found_hz == pytest.approx(made_hz, rel=0.005)


def test_the_demo_is_a_session_like_any_other(demo: Demo) -> None:
    from distsweep.demo import run_demo

    results, steps = demo.results, demo.steps
    assert steps[-1][1] == 1.0
    assert [share for _, share in steps] == sorted(share for _, share in steps)
    again = distsweep.analyse(demo.folder).take("axis")
    take = results.take("axis")
    assert np.array_equal(again.rungs[-1].thd_db, take.rungs[-1].thd_db, equal_nan=True)
    facts_of_the_demonstration(results)
    with pytest.raises(distsweep.InputError, match="is in use"):
        run_demo(demo.folder)


@pytest.mark.long
def test_the_demonstration_as_it_ships(tmp_path: Path) -> None:
    from distsweep.demo import run_demo

    folder = tmp_path / "demo"
    results = run_demo(folder, seed=7)
    facts_of_the_demonstration(results)
    thirds = {round(rung.spl_db or 0): rung.thd_third_octave for rung in results.take("axis").rungs}
    loud, quiet = thirds[82], thirds[70]
    assert loud is not None and quiet is not None
    middle = (loud.frequency_hz >= 100.0) & (loud.frequency_hz <= 5000.0)
    assert np.all((loud.high_db - loud.low_db)[middle] <= 3.0)  # within 1.5 dB
    assert np.mean(quiet.high_db[middle] < -40.0) > 0.9  # below 1 %
    page = (folder / "results" / "report" / "report.html").read_text()
    assert "Brindlemoor Tarnbick 4" in page
    assert len(list((folder / "results" / "report" / "figures").glob("*.svg"))) >= 20
