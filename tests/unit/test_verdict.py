"""The verdict: short whatever the results hold, ranked, and never more than the numbers say."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from report_samples import (
    DAMAGE,
    all_unreliable,
    alter,
    sample_results,
    sample_take,
    words,
    words_of,
)
from verdict_samples import (
    Drawn,
    agreement,
    any_results,
    clean_level,
    ladder,
    resonance,
    staircase,
    tone,
    with_clean,
)

from distsweep.report.content import Linked, Picture
from distsweep.report.look import report_figure
from distsweep.report.verdict.figure import plot_verdict
from distsweep.report.verdict.findings import findings
from distsweep.report.verdict.section import verdict
from distsweep.report.verdict.shown import figure_data, shown
from distsweep.results import (
    BAND,
    AtSpl,
    Damage,
    Device,
    Limiter,
    RecordedReason,
    Results,
    Warning_,
    read_results,
    to_json,
)
from distsweep.words.resonance_notes import NOTES


def told(results: Results) -> list[str]:
    return [one.sentence.replace("\N{NO-BREAK SPACE}", " ") for one in findings(results)]


def the_one(results: Results, part: str) -> str:
    (sentence,) = [text for text in told(results) if part in text]
    return sentence


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(any_results())
def test_at_most_six_sentences_that_name_no_missing_number(drawn: Drawn) -> None:
    results = drawn.results
    sentences = told(results)
    assert 1 <= len(sentences) <= 6
    assert len(set(sentences)) == len(sentences)
    for sentence in sentences:
        assert re.fullmatch(r"[A-Z].*\.", sentence)
        assert not re.search(r"\b(nan|inf|None)\b", sentence)
    ranks = [one.rank for one in findings(results)]
    assert ranks == sorted(ranks)


def test_long_names_leave_room_for_the_verdict() -> None:
    results = sample_results(sample_take(position="left ear " * 60))
    results = dataclasses.replace(results, device=Device(name="a long story " * 60))
    sentences = told(results)
    assert "no take on the axis, only “left ear" in sentences[0] and len(sentences[0]) < 120
    assert len(sentences) > 2


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(any_results())
def test_the_screen_holds_at_most_120_words(drawn: Drawn) -> None:
    results = drawn.results
    count = len(str(results.device.name).split()) + 4  # and what _HEADINGS_WORDS are of
    for block in verdict(results).blocks:
        if isinstance(block, Linked):
            count += sum(len(sentence.split()) for sentence, _ in block.items)
        if isinstance(block, Picture):
            figure = report_figure(block.draw())
            written = words(figure)  # ticks are bare numbers, "2k" among them
            count -= len(figure.subtitle.split())  # stands in the figure's file only
            count += len([w for w in written.split() if not re.fullmatch(r"[−\d.]+k?", w)])
            count += len(block.caption.split()) + len(block.misleads.split())
    assert count <= 120


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(any_results())
def test_sentences_follow_the_numbers(drawn: Drawn) -> None:
    results = drawn.results
    text = " ".join(told(results))
    leading = [take for take in results.takes if take.rungs][:1] or results.takes[:1]
    if leading and leading[0].level_unit != "dB SPL" and len(results.takes) == 1:
        assert "SPL" not in text
    acting = [one for take in leading for one in take.limiters if one.kind != "none"]
    if acting:
        assert "No limiter" not in text
    likely = [one for one in results.resonances if one.confidence >= 0.5]
    assert ("Resonance" in text) == bool(likely and leading)
    if "No resonance was found" in text:
        assert not results.resonances
        assert NOTES["no_resonance_found"]() in results.resonance_notes


@pytest.mark.parametrize(
    ("kind", "start"),
    [
        ("limiter", "A limiter acts from 100 Hz to 1 kHz"),
        ("compressor", "A compressor acts from 100 Hz to 1 kHz"),
        ("clipping", "It clips from 100 Hz to 1 kHz"),
        ("limiting", "Its output is limited from 100 Hz to 1 kHz"),
    ],
)
def test_every_kind_of_limit_says_where_and_from_which_level(kind: str, start: str) -> None:
    take = ladder([Limiter(kind, threshold_dbfs=-20.0, band_hz=[100.0, 1000.0])])
    sentence = the_one(sample_results(take), start)
    inside = (take.frequency_hz >= 100.0) & (take.frequency_hz <= 1000.0)
    rung = take.rungs[3]  # −22 dBFS, 2 dB below the threshold
    level = np.median(rung.fundamental_db[inside]) + 2.0
    assert f"starting at about {level:.0f} dB SPL (−20 dBFS)" in sentence


def test_bands_in_each_others_reach_are_one_limit() -> None:
    def two(below_hz: float, above_hz: float, **other: Any) -> list[str]:
        """Two bands with their reach: the first to 2 kHz, the second as given."""
        reach = RecordedReason("bands_fall", {
            "half_left_below_hz": [40.0, below_hz], "half_left_above_hz": [2000.0, above_hz],
        })  # fmt: skip
        low = Limiter("limiter", threshold_dbfs=-19.0, band_hz=[57.0, 160.0], reasons=[reach])
        high = Limiter("limiter", threshold_dbfs=-16.0, band_hz=[190.0, 1700.0])
        return told(sample_results(ladder([low, dataclasses.replace(high, **other)])))

    text = next(text for text in two(50.0, 2400.0) if "limiter" in text)
    assert "from 40 Hz to 2.4 kHz" in text
    assert "(−19 to −16 dBFS)" in text
    bounds = {"threshold_dbfs": None, "threshold_low_dbfs": -17.0, "threshold_high_dbfs": -15.0}
    assert "A limiter acts from 40 Hz to 2.4 kHz" in " ".join(
        two(50.0, 2400.0, kind="limiting", **bounds)
    )
    for texts in (two(150.0, 2400.0), two(50.0, 2400.0, kind="compressor")):
        assert sum(" acts from" in text for text in texts) == 2


def test_bounds_of_a_start_hold_it() -> None:
    one = Limiter("limiting", threshold_low_dbfs=-20.4, threshold_high_dbfs=-13.6,
                  band_hz=[100.0, 1000.0])  # fmt: skip
    sentence = the_one(sample_results(ladder([one])), "limited")
    low, high = re.search(r"at (\d+)–(\d+) dB SPL \(−21 to −13 dBFS\)", sentence).groups()  # type: ignore[union-attr]
    take = sample_take(points=60)
    inside = (take.frequency_hz >= 100.0) & (take.frequency_hz <= 1000.0)
    at_zero = np.median(take.rungs[2].fundamental_db[inside]) + 28.0
    assert float(low) <= at_zero - 20.4
    assert float(high) >= at_zero - 15.0  # the sample sags on its way up
    below = Limiter("limiter", threshold_high_dbfs=-13.6, band_hz=[100.0, 1000.0])
    assert "starting below" in the_one(sample_results(ladder([below])), "limiter")
    unknown = Limiter("limiting", band_hz=[100.0, 1000.0])
    assert "from the lowest level" in the_one(sample_results(ladder([unknown])), "limited")


def test_uncalibrated_levels_are_drives() -> None:
    take = ladder([Limiter("limiter", threshold_dbfs=-20.0, band_hz=[100.0, 1000.0])],
                  calibrated=False)  # fmt: skip
    with_clean(take, ["reached"], [-18.0])
    text = " ".join(told(sample_results(take)))
    assert "SPL" not in text
    assert "starting at a drive of −20 dBFS" in text
    assert ": −18 dBFS at 63 Hz" in text
    assert "sound pressure (nothing is calibrated)" in text


def test_a_staircase_names_the_limit_of_which_the_ladder_knows_bounds() -> None:
    bounds = Limiter("limiting", threshold_low_dbfs=-20.0, threshold_high_dbfs=-10.0,
                     band_hz=[60.0, 1000.0])  # fmt: skip
    steps = staircase([tone(100.0, Limiter("limiter", threshold_dbfs=-16.0)),
                       tone(400.0, Limiter("limiter", threshold_dbfs=-15.0))])  # fmt: skip
    agreeing = [agreement(f, "agree", "", [s, s]) for f, s in ((100.0, -16.0), (400.0, -15.0))]
    results = sample_results(ladder([bounds]), steps, limiter_agreement=agreeing)
    assert "(−16 to −15 dBFS)" in the_one(results, "A limiter acts from 60 Hz to 1 kHz")
    alone = sample_results(ladder([bounds]), steps)  # nobody compared them
    assert "(−20 to −10 dBFS)" in the_one(alone, "Its output is limited")


def test_where_ladder_and_staircase_contradict_it_is_said_first() -> None:
    steps = staircase([tone(400.0, Limiter("limiter", threshold_dbfs=-16.0))])
    differing = [agreement(400.0, "differ", "staircase only", [-16.0, -16.0])]
    results = sample_results(ladder(), steps, limiter_agreement=differing)
    assert told(results)[0] == ("Doubtful: sweeps and tone bursts disagree on what limits 400 Hz.")
    assert findings(results)[0].anchor == "agreement"
    assert "at 400 Hz with tone bursts" in told(results)[1]
    assert "No limiter" not in " ".join(told(results))
    kinds = [agreement(400.0, "differ", "kind", [-16.0, -16.0])]
    results = sample_results(ladder(), steps, limiter_agreement=kinds)
    assert "the kind of limit at 400 Hz" in the_one(results, "Unknown: ")
    assert "Doubtful" not in " ".join(told(results))


def test_a_staircase_alone_says_what_limits_each_tone() -> None:
    steps = staircase([tone(100.0, Limiter("limiter", threshold_dbfs=-16.0)),
                       tone(400.0, Limiter("limiter", threshold_dbfs=-15.0)),
                       tone(4000.0, Limiter("none"))])  # fmt: skip
    results = sample_results(steps)
    assert "starting at 86–87 dB SPL (−16 to −15 dBFS)" in the_one(results, "limiter acts")
    assert "Whether it has resonances cannot be told" in " ".join(told(results))
    heat = staircase([tone(100.0, Limiter("thermal"), sags=True)])
    assert "Heat: its gain sags by 1.2 dB at 100 Hz" in told(sample_results(heat))[0]


def test_no_limiter_is_said_only_where_one_could_have_shown() -> None:
    assert "No limiter shows up to 98 dB SPL (−4 dBFS)" in told(sample_results(ladder()))[0]
    for take in (ladder(levels_dbfs=(-10.0,)), ladder([]), ladder(clipped=tuple(range(6)))):
        assert "Whether anything limits it cannot be told" in " ".join(told(sample_results(take)))


def test_what_matters_to_a_listener_comes_first() -> None:
    bass = Limiter("limiter", threshold_dbfs=-30.0, band_hz=[20.0, 50.0])
    middle = Limiter("limiter", threshold_dbfs=-20.0, band_hz=[400.0, 1000.0])
    texts = told(sample_results(ladder([bass, middle])))
    first, second = [text for text in texts if "limiter" in text]
    assert "400 Hz" in first
    assert "20 to 50 Hz" in second
    ringing = {"resonances": [resonance(45.0, 0.97), resonance(800.0, 0.6)]}
    texts = told(sample_results(ladder([bass]), **ringing))
    assert texts[0].startswith("Resonances: 800 Hz (possible, 0.60); 45 Hz (almost certain, 0.97)")
    top = Limiter("clipping", threshold_dbfs=-5.0, band_hz=[100.0, 1000.0])
    assert told(sample_results(ladder([top]), **ringing))[0].startswith("Resonances")
    early = Limiter("clipping", threshold_dbfs=-15.0, band_hz=[100.0, 1000.0])
    assert told(sample_results(ladder([early]), **ringing))[0].startswith("It clips")


def test_resonances_are_named_with_how_sure_they_are() -> None:
    sure = [resonance(1026.0, 0.9998), resonance(430.0, 0.93), resonance(730.0, 0.8)]
    results = sample_results(ladder(), resonances=[*sure, resonance(300.0, 0.3)])
    assert the_one(results, "Resonances") == (
        "Resonances: 1026 and 430 Hz (almost certain, 0.93 or more); 730 Hz (probable, 0.80)."
    )
    weak = sample_results(ladder(), resonances=[resonance(300.0, 0.3)])
    assert the_one(weak, "resonance") == (
        "No resonance is likely; nearest to one is 300 Hz (0.30)."
    )
    many = [resonance(200.0 * 1.3**k, 0.9) for k in range(7)]
    assert the_one(sample_results(ladder(), resonances=many), "; 3 more.")


@pytest.mark.parametrize(
    ("code", "part"),
    [
        ("no_resonance_found", "No resonance was found; noise may hide some."),
        ("noise_hides_harmonics", "cannot be told: noise hides the harmonics."),
        ("nothing_to_search", "cannot be told: every level clipped, or no harmonic was separated."),
        ("noise_not_known", "cannot be told: the noise is not known."),
    ],
)
def test_no_resonance_is_said_only_where_one_could_have_been_found(code: str, part: str) -> None:
    results = sample_results(ladder(), resonance_notes=[NOTES[code]()])
    assert part in the_one(results, "resonance")


@pytest.mark.parametrize(
    ("state", "part"),
    [
        ("reached", ": 82 dB SPL at 63 Hz, 250 Hz, 1 kHz and 8 kHz."),
        ("bracketed", ": 79–85 dB SPL at 63 Hz"),
        ("not reached", ": at least 82 dB SPL at 63 Hz"),
        ("below", ": less than 82 dB SPL at 63 Hz"),
    ],
)
def test_the_clean_level_says_what_is_known_of_it(state: str, part: str) -> None:
    take = with_clean(ladder(), [state], [-20.0])
    assert part in the_one(sample_results(take), "Highest clean level (1 % THD, 1 dB compression)")


def test_at_least_is_what_placements_leave_known_of_the_level_played() -> None:
    take = with_clean(ladder(), ["not reached"], [-20.0])
    low = [dataclasses.replace(one, low_db=one.level_db - 2.4) for one in take.clean_level]
    thirds = [
        dataclasses.replace(one, low_db=one.level_db - 2.4) for one in take.clean_level_third_octave
    ]
    alter(take, clean_level=low, clean_level_third_octave=thirds)
    assert ": at least 79 dB SPL at 63 Hz" in the_one(sample_results(take), "Highest clean level")


def test_an_unknown_clean_level_is_said_to_be_unknown() -> None:
    assert "How loud it stays clean cannot be told." in told(sample_results(ladder()))
    take = with_clean(ladder(), ["unknown", "unknown", "reached"], [-20.0])
    assert "the clean level at" in the_one(sample_results(take), "Unknown: ")


def test_doubts_come_first_and_name_their_cause() -> None:
    take = ladder()
    alter(take, damage=DAMAGE, return_check_db=-0.9, partial=True)
    warned = [Warning_("gain_moved", "It moved.", take="axis"), Warning_("hum", "It hums.")]
    first = findings(sample_results(take, warnings=warned))[0]
    assert first.anchor == "take-axis.damage"
    assert first.sentence.replace("\N{NO-BREAK SPACE}", " ") == (
        "Doubtful: the recording is damaged (lossy coding and more), the first level came back"
        " 0.9 dB softer and 2 more doubts."
    )
    alter(take, damage=DAMAGE[:9], return_check_db=0.0, partial=False)
    octaves = sum(np.log2(one.high_hz / one.low_hz) for one in DAMAGE[:9])  # type: ignore[operator]
    assert octaves < 1.0  # nine clicks touch little
    assert "Doubtful" not in " ".join(told(sample_results(take)))
    clean = [Warning_("hum", "It hums.", take="axis")]
    assert "Doubtful" not in " ".join(told(sample_results(ladder(), warnings=clean)))


@pytest.mark.parametrize(("rung", "serious"), [(0, True), (-1, False)])
def test_impulses_at_the_highest_drive_may_be_the_loudspeakers(rung: int, serious: bool) -> None:
    take = ladder()
    number = range(len(take.rungs))[rung]
    alter(take, damage=[Damage("knock", 9.0, 9.0, number, 40.0, 400.0)])
    text = " ".join(told(sample_results(take)))
    assert ("Doubtful: the recording is damaged" in text) == serious
    assert ("whether knocks at 98 dB SPL are its own" in text) != serious


def test_a_second_band_is_named_in_a_few_words() -> None:
    bands = [
        Limiter("clipping", threshold_dbfs=-12.0, band_hz=[100.0, 1000.0]),
        Limiter(
            "limiting", threshold_low_dbfs=-16.0, threshold_high_dbfs=-12.0, band_hz=[4e3, 2e4]
        ),
    ]
    first, second, *_ = told(sample_results(ladder(bands)))
    assert first.startswith("It clips from 100 Hz to 1 kHz")
    assert second.startswith("Also, output is held back from 4 to 20 kHz, starting at")


def test_near_fields_alone_say_so_and_empty_results_say_that() -> None:
    results = sample_results(ladder(position="woofer"))
    assert told(results)[0] == "Doubtful: no take on the axis, only “woofer”."
    empty = dataclasses.replace(sample_results(), takes=[])
    assert told(empty) == ["Nothing can be told: the results hold no level."]
    assert shown(empty) is None
    assert [block.kind for block in verdict(empty).blocks] == ["linked"]
    noisy = sample_results(all_unreliable(ladder([])))
    assert "How loud it stays clean cannot be told." in told(noisy)


def test_thd_at_a_stated_level_is_said_and_leads_to_its_section() -> None:
    take = ladder()
    f = take.frequency_hz
    thd_db = np.full(f.shape, -40.0)  # 1 %
    known = (np.full(f.shape, -20.0),) * 3
    alter(take, at_spl=[AtSpl(85.0, BAND, f, *known, thd_db, thd_db - 0.1, thd_db + 0.1)])
    results = sample_results(take)
    sentence = the_one(results, "At 85 dB SPL")
    assert "1.0 % at 1 kHz" in sentence
    (finding,) = [one for one in findings(results) if one.rank == 40]
    assert finding.anchor in words_of(results).ids


def test_the_axis_leads_whatever_comes_first() -> None:
    limited = ladder([Limiter("limiter", threshold_dbfs=-20.0, band_hz=[100.0, 1000.0])])
    results = sample_results(ladder(position="port"), limited)
    assert findings(results)[0].anchor == "take-axis.compression"
    assert "limiter acts" in told(results)[0]


def test_every_sentence_leads_to_a_place_on_the_page() -> None:
    take = with_clean(ladder([Limiter("limiter", threshold_dbfs=-20.0)]), ["reached"], [-20.0])
    alter(take, damage=DAMAGE)
    steps = staircase([tone(400.0, Limiter("limiter", threshold_dbfs=-16.0))])
    differing = [agreement(400.0, "differ", "kind", [-16.0, -16.0])]
    everything = sample_results(take, limiter_agreement=differing, resonances=[resonance(800, 0.9)])
    for results in (everything, sample_results(steps), sample_results(ladder(calibrated=False))):
        page = words_of(results)
        assert {one.anchor for one in findings(results)} <= set(page.ids)
        assert page.headings[1] == ("h2", "Verdict")


def test_the_figure_fills_what_is_known_to_be_clean_and_no_more() -> None:
    take = with_clean(ladder(), ["reached", "bracketed", "not reached", "below", "unknown"],
                      [-20.0])  # fmt: skip
    results = sample_results(take)
    what = shown(results)
    assert what is not None
    assert what.clean is not None
    given_level = clean_level(["reached"], [-20.0]).level_db[0]
    expected = {
        "reached": (given_level - 0.3, given_level + 0.3),
        "bracketed": (given_level - 3.0, given_level + 3.0),
        "not reached": (given_level, given_level),
        "below": (-np.inf, -np.inf),
        "unknown": (np.nan, np.nan),
    }
    for i, (sure, perhaps) in enumerate(expected.values()):
        ends = (what.clean.sure_db[i], what.clean.perhaps_db[i])
        assert ends == pytest.approx((sure, perhaps), nan_ok=True)
    axes = plot_verdict(results).axes[0]
    filled = [c for c in axes.collections if c.get_label() == "_clean"]
    assert [c.get_gid() for c in filled] == ["curve.clean"] * len(filled)
    # Three neighbours are filled, two are not: six stretches and one place over 31 thirds.
    assert len(filled) == 7
    assert axes.get_gid() == "x.frequency"


def test_the_figure_names_its_areas_and_marks_limits_and_resonances() -> None:
    take = with_clean(ladder([Limiter("limiter", threshold_dbfs=-20.0, band_hz=[100.0, 1000.0])]),
                      ["reached"], [-20.0])  # fmt: skip
    found = [resonance(430.0, 0.9, "excited"), resonance(1026.0, 0.6), resonance(3000.0, 0.4)]
    results = sample_results(take, resonances=found)
    figure = plot_verdict(results)
    drawn = words(figure)
    for text in ("limiter", "clean", "loudest played", "resonances", "430 Hz", "1026 Hz"):
        assert text in drawn.replace("\N{NO-BREAK SPACE}", " ")
    assert "3000" not in drawn
    curves = {curve.key: curve for curve in figure_data(results).curves}
    assert set(curves) == {"loudest", "clean"}
    loudest = next(line for line in figure.axes[0].lines if line.get_label() == "loudest")
    assert loudest.get_ydata() == pytest.approx(curves["loudest"].values, nan_ok=True)
    assert loudest.get_gid() == "curve.loudest"


def test_results_of_the_first_version_have_a_verdict(tmp_path: Path) -> None:
    data = json.loads(to_json(sample_results(sample_take(points=60))))
    data["schema"] = "distsweep.results/1"
    del data["resonance_notes"]
    for name in ("limiters", "clean_level", "clean_level_third_octave"):
        del data["takes"][0][name]
    data["takes"][0]["limiter"] = {
        "kind": "limiter", "threshold_dbfs": -14.2, "ratio": 8.0, "evidence": []
    }  # fmt: skip
    path = tmp_path / "results.json"
    path.write_text(json.dumps(data))
    old = read_results(path)
    text = " ".join(told(old))
    assert "A limiter acts from 20 Hz to 20 kHz" in text
    assert "these results do not say whether any was looked for" in text
    assert "How loud it stays clean cannot be told." in text
    assert words_of(old).headings[1] == ("h2", "Verdict")


def test_without_a_limiter_distortion_is_what_limits() -> None:
    take = with_clean(ladder(), ["not reached", "not reached", "reached"], [-20.0])
    assert "the loudest played; distortion limits it." in told(sample_results(take))[0]
    take = with_clean(ladder(), ["not reached"], [-20.0])
    assert "distortion limits it" not in " ".join(told(sample_results(take)))
