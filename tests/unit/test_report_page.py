"""The page: parsed with html.parser, its numbers traced back to the results."""

from __future__ import annotations

import html
import re
from pathlib import Path

import numpy as np
import pytest
from report_samples import (
    Page,
    all_unreliable,
    alter,
    read_page,
    sample_results,
    sample_take,
    words_of,
)

from distsweep import report
from distsweep.errors import InputError
from distsweep.report import write_report
from distsweep.report.dark import dark_colour
from distsweep.report.page import render_page
from distsweep.report.style import Style
from distsweep.results import (
    Background,
    RecordedCalibration,
    Results,
    Take,
    Tone,
    Warning_,
    read_results,
    write_results,
)


def page_of(results: Results, folder: Path) -> Page:
    return read_page(write_report(results, folder))


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Page]:
    folder = tmp_path_factory.mktemp("plain") / "report"
    page = page_of(sample_results(), folder)
    return folder, page


def small(**changes: object) -> Take:
    """A take that is quick to draw."""
    values: dict[str, object] = {"points": 60, "levels_dbfs": (-30.0, -10.0), "orders": range(2, 3)}
    return sample_take(**(values | changes))  # type: ignore[arg-type]


def tiny() -> Take:
    """A take that is quicker still: three figures, one line each."""
    return small(levels_dbfs=(-10.0,), points=20)


def test_the_folder_holds_the_page_and_every_figure_twice(plain: tuple[Path, Page]) -> None:
    folder, _ = plain
    names = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}
    figures = ("thd", "harmonics", "fundamental", "gain-change")
    endings = ("svg", "png")
    expected = {f"figures/axis-{figure}.{ending}" for figure in figures for ending in endings}
    expected |= {f"figures/verdict.{ending}" for ending in endings}
    assert names == {"report.html"} | expected
    assert all((folder / name).stat().st_size > 1000 for name in names)


def test_the_folder_stays_below_a_third_of_a_megabyte_a_figure(plain: tuple[Path, Page]) -> None:
    folder, _ = plain
    assert sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) < 5 * 0.33e6


def test_the_page_needs_nothing_from_elsewhere(plain: tuple[Path, Page]) -> None:
    folder, page = plain
    assert all(link.startswith("#") for link in page.links)
    assert not {"link", "img", "iframe", "object", "base", "form"} & set(page.tags)
    assert page.events == []
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert "@import" not in text
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    assert policy is not None
    assert html.unescape(policy[1]).startswith("default-src 'none'; script-src 'sha256-")
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", text))
    assert "http:" not in text and "https:" not in text
    assert page.tags.count("svg") == 5


def test_ids_are_unique_and_every_reference_has_its_target(plain: tuple[Path, Page]) -> None:
    folder, page = plain
    assert len(page.ids) == len(set(page.ids))
    targets = {link[1:] for link in page.links}
    targets |= set(re.findall(r"url\(#([^)]*)\)", (folder / "report.html").read_text("utf-8")))
    assert targets <= set(page.ids)


def test_verdict_and_axis_come_first_and_sections_follow_in_order(plain: tuple[Path, Page]) -> None:
    _, page = plain
    assert page.headings[0] == ("h1", "Brindlemoor Tarnbick 4")
    assert [words for tag, words in page.headings if tag == "h2"] == [
        "Verdict", "Take: axis", "Resonances", "Warnings (1)", "Conditions", "Definitions",
        "Before you repeat this",
    ]  # fmt: skip
    assert [words for tag, words in page.headings if tag == "h3"] == [
        "Distortion", "Output", "Compression", "Background noise", "Levels played",
    ]  # fmt: skip


def test_summary_gives_the_numbers_of_the_results(plain: tuple[Path, Page]) -> None:
    _, page = plain
    take = sample_take()
    rung, f = take.rungs[-1], take.frequency_hz
    where = rung.thd_reliable & (f >= 100.0) & (f <= 10000.0)
    at = int(np.argmax(np.where(where, rung.thd_db, -np.inf)))
    assert "At the highest drive (−4 dBFS) the loudspeaker gave 98.0 dB SPL at 1 m" in page.text
    db, percent = f"{rung.thd_db[at]:.1f}".replace("-", "−"), f"{rung.thd_percent[at]:.0f}"
    assert "the highest reliable THD from 100 Hz to 10 kHz was " in page.text
    assert f" was {percent} % ({db} dB) at {f[at]:.0f} Hz" in page.text
    assert take.compression is not None
    gain = take.compression.gain_change_db[-1]
    assert re.search(r"Against −40 dBFS, the gain at −\d+ dBFS changed by ", page.text)
    assert f"by −{-np.nanmin(gain):.1f} dB at worst, at {f[np.nanargmin(gain)]:.1f} Hz" in page.text
    assert "repeated last, came back 0.06 dB lower" in page.text
    assert "2 lines of mains hum, the strongest at 50 Hz with 31.2 dB SPL" in page.text


def test_thd_table_holds_percent_and_decibels_of_the_nearest_grid_point() -> None:
    page = words_of(sample_results())  # without the tables behind figures
    take = sample_take()
    (table,) = [t for t in page.tables if t[0][0] == "Excitation frequency"]
    assert table[0][1:] == [f"−{abs(r.drive_dbfs):.0f} dBFS" for r in take.rungs]
    rows = {row[0]: row[1:] for row in table[1:]}
    at = int(np.argmin(np.abs(take.frequency_hz - 1000.0)))
    percent, decibels = rows["1 kHz"][-1].split(" | ")
    assert float(percent.removesuffix(" %")) == pytest.approx(
        take.rungs[-1].thd_percent[at], rel=0.05
    )
    assert float(decibels.removesuffix(" dB").replace("−", "-")) == pytest.approx(
        take.rungs[-1].thd_db[at], abs=0.051
    )
    bass = int(np.argmin(np.abs(take.frequency_hz - 25.0)))  # where re total RMS is far lower
    shown = float(rows["25 Hz"][-1].split(" %")[0])
    assert shown == pytest.approx(take.rungs[-1].thd_percent[bass], abs=0.51)
    assert rows["1 kHz"][0] == "noise"
    above = [float(r.thd_db[at] - r.thd_floor_db[at]) for r in take.rungs]
    kinds = ["noise" if a < 6.0 else "≈" if a < 25.0 else "" for a in above]
    assert set(kinds) == {"noise", "≈", ""}
    for cell, kind in zip(rows["1 kHz"], kinds, strict=True):
        assert cell == "noise" if kind == "noise" else cell.startswith("≈") == (kind == "≈")
    uncertain = kinds.index("≈")
    percent, decibels = rows["1 kHz"][uncertain].split(" | ")
    assert float(percent[2:-2]) == pytest.approx(take.rungs[uncertain].thd_percent[at], rel=0.05)
    assert decibels == f"≈ −{-take.rungs[uncertain].thd_db[at]:.1f} dB"
    assert set(rows["16 kHz"]) == {"—"}


def test_conditions_and_rungs_are_listed(plain: tuple[Path, Page]) -> None:
    _, page = plain
    (rungs,) = [t for t in page.tables if t[0][0] == "Drive"]
    assert rungs[-1] == ["−4 dBFS", "98.0", "−1.5", "no"]
    for words in ("20.5", "2.5", "ladder-48k.json", "480 points", "3.2 ppm", "mic.txt", "11.2"):
        assert words in page.text
    assert "Mains hum stands 7 dB above the noise beside it. (take “axis”, 50 Hz)" in page.text


def test_every_figure_says_how_it_can_mislead_and_is_described(plain: tuple[Path, Page]) -> None:
    folder, page = plain
    of_takes = page.tags.count("figure") - 1  # the verdict's leads to theirs
    assert page.text.count("How it can mislead") == of_takes == 4
    text = (folder / "report.html").read_text(encoding="utf-8")
    assert len(re.findall(r'<svg role="img" aria-label="[^"]{20,}"', text)) == 5


@pytest.mark.parametrize(
    ("theme", "when"),
    [
        ("both", "screen and (prefers-color-scheme: dark)"),
        ("dark", "screen"),
        ("light", "not all"),
    ],
)
def test_a_theme_says_when_the_page_is_dark(theme: str, when: str, tmp_path: Path) -> None:
    logo = tmp_path / "logo.svg"
    logo.write_text('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 2 1"/>', encoding="utf-8")
    style = Style(theme=theme, line="Tarnbick Review", logo=str(logo))
    text = render_page("x", [], {}, style=style)
    dark = [rule for rule in re.split(r"(?=@media)", text) if "color-scheme: dark;" in rule]
    assert len(dark) == 1 and dark[0].startswith(f"@media {when} {{")
    paper = f"--paper: {dark_colour(Style().paper)};"
    assert any(rule.startswith(f"@media {when} {{") and paper in rule
               for rule in re.split(r"(?=@media)", text))  # fmt: skip
    footer = text[text.index("<footer>") : text.index("</footer>")]
    assert "Tarnbick Review" in footer and 'src="data:image/svg+xml' in footer


HOSTILE = "<script>alert('x')</script> & \"Tarnbick\" ]]> $\\frac{1}{2}$ 音"


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    take = small(position=HOSTILE)
    alter(take, stimulus="<img src=x onerror=alert(1)>")
    alter(take, level_unit="<b>dBFS</b>")
    results = sample_results(
        take,
        name=HOSTILE,
        calibration=RecordedCalibration(11.2, source="<video>", mic_correction="<i>mic.txt"),
        warnings=[Warning_("x", HOSTILE, take=HOSTILE, rung=1)],
    )
    page = page_of(results, tmp_path / "report")
    assert page.title == f"{HOSTILE}: distortion and compression"
    assert page.headings[0] == ("h1", HOSTILE)
    assert not {"img", "i", "video"} & set(page.tags)
    assert page.tags.count("script") == 2  # the page's own, and its figures' numbers
    assert page.events == []
    files = {p.name for p in (tmp_path / "report" / "figures").iterdir()}
    assert all(re.fullmatch(r"[a-z0-9-]+\.(svg|png)", name) for name in files)


def test_uncalibrated_results_say_so_and_claim_no_pressure() -> None:
    page = words_of(sample_results(small(calibrated=False)))
    assert "Nothing was calibrated, so levels are in dBFS" in page.text
    assert "none: levels in dBFS" in page.text
    assert "dBFS (uncalibrated)" in page.text
    (rungs,) = [t for t in page.tables if t[0][0] == "Drive"]
    assert "not calibrated" in {row[1] for row in rungs[1:]}
    found = page.text[: page.text.index("How to read the figures")]
    assert "Nothing was calibrated" in found and not re.search(r"\d dB SPL", found)


def test_everything_unreliable_gives_sentences_instead_of_tables() -> None:
    page = words_of(sample_results(all_unreliable(small())))
    assert "no THD of that level is reliable" in page.text
    assert "At no frequency is that level's THD reliable." in page.text
    assert "There is no table of THD" in page.text
    assert re.search(r"No gain change at −\d+\sdBFS stands clear of the noise", page.text)
    assert not [t for t in page.tables if t[0][0] == "Excitation frequency"]


def test_one_rung_without_compression_background_and_return_check() -> None:
    take = small(levels_dbfs=(-10.0,))
    alter(take, background=None, return_check_db=None, clock_drift_ppm=None)
    results = sample_results(take, warnings=[])
    page = words_of(results)
    assert "Compression cannot be told" in page.text
    assert "Compression was not worked out" in page.text
    assert "The background noise was not measured in this take." in page.text
    assert "There is no return rung" in page.text
    assert "nothing to warn of" in page.text
    assert "Clock driftnot known" in page.text.replace("\n", "")
    assert "gain" not in " ".join(page.ids)
    assert all(len(table) > 1 for table in page.tables)


def test_twelve_rungs_fit() -> None:
    take = sample_take(points=120, levels_dbfs=tuple(np.arange(-48.0, 0.0, 4.0)), clipped=(11,))
    page = words_of(sample_results(take))
    (table,) = [t for t in page.tables if t[0][0] == "Excitation frequency"]
    assert {len(row) for row in table} == {13}
    assert all(row[-1] in ("clipped", "—") for row in table[1:])
    assert "At the highest drive that did not clip (−8 dBFS)" in page.text
    assert "The recording clipped at −4 dBFS: no THD of that counts as reliable." in page.text


def test_a_band_without_harmonics() -> None:
    take = sample_take(points=40, band_hz=(12000.0, 20000.0), levels_dbfs=(-30.0, -10.0))
    assert not any(rung.orders_summed.any() for rung in take.rungs)
    page = words_of(sample_results(take))
    assert "There is no table of THD" in page.text
    assert report.plot_thd(take).axes  # and its figures can be drawn
    assert report.plot_harmonics(take).axes
    take.rungs[0].harmonics.clear()
    take.rungs[1].harmonics.clear()
    page = words_of(sample_results(take))
    assert "No single harmonic was separated in this take." in page.text


def test_no_take_and_a_take_without_rungs(tmp_path: Path) -> None:
    empty = sample_results()
    alter(empty, takes=[])
    assert "The results hold no take." in page_of(empty, tmp_path / "empty").text
    staircase = small(levels_dbfs=())
    alter(staircase, kind="staircase")
    page = page_of(sample_results(staircase), tmp_path / "staircase")
    assert "This take holds no ladder" in page.text
    assert page.tags.count("svg") == 0


def test_several_takes_have_a_section_and_figures_each() -> None:
    takes = [
        small(position=p, levels_dbfs=(-10.0,), points=20)
        for p in ("axis", "axis", "30° / left", "summary")
    ]
    page = words_of(sample_results(*takes))
    titles = [words for tag, words in page.headings if tag == "h2" and words.startswith("Take")]
    assert titles == [f"Take: {take.position}" for take in takes]
    assert len(page.ids) == len(set(page.ids))
    thd = [name for name in page.ids if name.endswith("-thd")]
    assert thd == [f"figure.{name}-thd" for name in ("axis", "axis-2", "30-left", "summary")]


def test_a_ladder_and_a_staircase_at_one_position_are_told_apart() -> None:
    takes = [small(points=20), small(points=20)]
    alter(takes[1], kind="staircase")
    page = words_of(sample_results(*takes))
    titles = [words for tag, words in page.headings if tag == "h2" and words.startswith("Take")]
    assert titles == ["Take: axis, ladder", "Take: axis, staircase"]


def test_the_sessions_background_serves_takes_without_their_own() -> None:
    take = small()
    alter(take, background=None)
    results = sample_results(take, background=Background(40.0, float("nan"), [Tone(60.0, 33.3)]))
    page = words_of(results)
    assert "1 line of mains hum, the strongest at 60 Hz with 33.3 dB SPL" in page.text
    (hum,) = [t[1:] for t in page.tables if t[0][0] == "Frequency heard"]
    assert hum == [["60 Hz", "33.3"]]
    assert "nan" not in page.text.split()


@pytest.mark.parametrize(
    ("change", "words"),
    [(0.0, "came back at the same level: loudspeaker"), (-0.7, "0.70 dB lower: something changed")],
)
def test_return_check_is_judged(change: float, words: str) -> None:
    take = small()
    alter(take, return_check_db=change)
    assert words in words_of(sample_results(take)).text


def test_results_read_back_from_json_give_the_same_headline(tmp_path: Path) -> None:
    results = sample_results(small())
    write_results(results, tmp_path / "results.json")
    again = read_results(tmp_path / "results.json")
    first, second = words_of(results), words_of(again)
    start, end = "At the highest drive", "Conditions"
    assert first.text.split(start)[1].split(end)[0] == second.text.split(start)[1].split(end)[0]


def test_the_same_results_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_report(sample_results(tiny()), tmp_path / name)
    for path in (p for p in (tmp_path / "a").rglob("*") if p.is_file()):
        assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes()


def test_a_report_replaces_a_report_but_nothing_else(tmp_path: Path) -> None:
    folder = tmp_path / "report"
    write_report(sample_results(tiny()), folder)
    write_report(sample_results(tiny(), name="Brindlemoor Tarnbick 5"), folder)
    assert read_page(folder / "report.html").headings[0][1] == "Brindlemoor Tarnbick 5"
    (folder / "axis.wav").write_bytes(b"precious")
    with pytest.raises(InputError, match=r"'axis\.wav', which is not part of a report"):
        write_report(sample_results(tiny()), folder)
    assert (folder / "axis.wav").read_bytes() == b"precious"
    with pytest.raises(InputError, match="is a file"):
        write_report(sample_results(tiny()), folder / "axis.wav")


def test_a_failure_leaves_the_former_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "report"
    path = write_report(sample_results(tiny()), folder)
    before = path.read_bytes()

    def fail(*_args: object, **_keywords: object) -> str:
        raise RuntimeError("drawing failed")

    monkeypatch.setattr("distsweep.report.page.write_figures", fail)
    with pytest.raises(RuntimeError, match="drawing failed"):
        write_report(sample_results(tiny(), name="Other"), folder)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["report"]
