"""What page, verdict, tables and comparison say of hiss."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from report_samples import sample_results

from distsweep.comparison.positions import left_out
from distsweep.report.hiss import words
from distsweep.report.hiss.figure import data, plot_hiss
from distsweep.report.hiss.section import hiss as hiss_section
from distsweep.report.sections import all_sections
from distsweep.report.tables import all_tables
from distsweep.report.verdict.findings import findings
from distsweep.results import Hiss, Results, Take


def plain(text: str | None) -> str:
    return str(text).replace("\N{NO-BREAK SPACE}", " ")


THIRDS_HZ = np.array([1000.0, 2000.0, 4000.0])


def hiss(**changes: object) -> Hiss:
    """Known at 2 and 4 kHz, at most at 1 kHz; heard to 0.4 m of the listener's 2.5."""
    given = Hiss(
        a_weighted_db=28.3,
        low_db=28.0,
        high_db=28.6,
        third_octave_hz=THIRDS_HZ,
        level_db=np.array([2.0, 14.0, 18.0]),
        level_low_db=np.array([-np.inf, 13.5, 17.8]),
        level_high_db=np.array([6.0, 14.5, 18.2]),
        pairs=5,
        distance_m=0.05,
        room_db=np.array([5.0, 3.0, 0.0]),
        room_from="here",
        threshold_db=np.array([2.4, -1.3, -5.4]),
        audible_to_m=0.4,
        audible_to_low_m=0.34,
        audible_to_high_m=0.47,
        heard_at_hz=4000.0,
        hidden_by="room",
        listener_distance_m=2.5,
        at_listener_db=-5.7,
        at_listener_high_db=-5.4,
        audible_in_silence_m=0.74,
        audible_in_silence_high_m=0.78,
    )
    return dataclasses.replace(given, **changes)  # type: ignore[arg-type]


AT_MOST = {
    "a_weighted_db": None, "low_db": None, "high_db": 23.2, "audible_to_m": None,
    "audible_to_low_m": None, "audible_to_high_m": 0.13, "heard_at_hz": None,
    "at_listener_db": None, "at_listener_high_db": -10.7, "audible_in_silence_m": None,
    "audible_in_silence_high_m": 0.4,
    "level_low_db": np.full(3, -np.inf),
}  # fmt: skip


def background(found: Hiss | None, state: str) -> Take:
    return Take(
        position="tweeter", stimulus="", kind="background", clock_drift_ppm=None,
        level_unit="dB SPL", frequency_hz=np.zeros(0), band_hz=[891.0, 4467.0],
        drive_shape_db=np.zeros(0), rungs=[], distance_m=0.05, state=state,
        third_octave_hz=THIRDS_HZ, level_db=np.array([7.0, 14.2, 18.1]), a_weighted_db=28.8,
        hiss=found,
    )  # fmt: skip


def with_background(**changes: object) -> Results:
    results = sample_results()
    added = [background(hiss(**changes), "on"), background(None, "off")]
    return dataclasses.replace(results, takes=[*results.takes, *added])


def test_sentences_say_how_loud_and_how_far() -> None:
    take = background(hiss(), "on")
    assert plain(words.level_sentence(take, hiss())) == (
        "The loudspeaker alone: 28.3 dB(A) at 5 cm, from 5 pairs of recordings with it on and off;"
        " the 95 % interval is 28.0 to 28.6 dB(A)."
    )
    assert plain(words.reach_sentence(hiss())) == (
        "It is heard up to about 40 cm in this room (95 %: 30 cm to 50 cm), by the third of an"
        " octave at 4 kHz; farther away the room's own noise is as loud there."
    )
    assert plain(words.listener_sentence(take, hiss())) == (
        "At the listener's 2.5 m the direct sound would be −6 dB(A): it is not heard there."
    )


def test_at_most_is_said_as_such() -> None:
    most = hiss(**AT_MOST)
    take = background(most, "on")
    assert "at most 24 dB(A) at 5 cm" in plain(words.level_sentence(take, most))
    assert "measure nearer" in plain(words.level_sentence(take, most))
    assert plain(words.reach_sentence(most)).startswith("It is heard no farther than 13 cm:")
    assert "heard no farther than 40 cm" in plain(words.silence_sentence(most))
    few = hiss(**AT_MOST, pairs=2)
    assert "record three pairs or more" in words.level_sentence(background(few, "on"), few)


@pytest.mark.parametrize(
    ("low_m", "reach_m", "high_m", "heard", "sentence"),
    [
        (0.3, 0.4, 0.5, "not heard", "Hiss: heard up to about 40 cm in this room."),
        (2.0, 2.4, 3.0, "perhaps", "perhaps at the listener's 2.5 m."),
        (3.0, 4.0, 5.0, "heard", "Hiss: heard at the listener's 2.5 m."),
        (None, None, 3.0, "perhaps", "is not known (noise)."),
    ],
)
def test_the_verdict_says_whether_a_listener_hears_it(
    low_m: float | None, reach_m: float | None, high_m: float, heard: str, sentence: str
) -> None:
    found = hiss(audible_to_low_m=low_m, audible_to_m=reach_m, audible_to_high_m=high_m)
    assert words.at_listener(found) == heard
    assert plain(words.verdict_sentence(background(found, "on"), found)).endswith(sentence)


def test_what_only_noise_hides_at_the_listeners_is_not_called_unheard() -> None:
    """The room's noise, as recorded, may be the microphone's own."""
    found = hiss(audible_in_silence_m=2.4, audible_in_silence_high_m=2.6)
    assert words.at_listener(found) == "hidden"
    assert plain(words.listener_sentence(background(found, "on"), found)).endswith(
        "the room's own noise hides it there."
    )


def test_the_verdict_says_how_loud_a_hiss_is_where_not_how_far() -> None:
    """Without a distance, and with the loudspeaker never on."""
    nowhere = dict.fromkeys(("distance_m", "audible_to_m", "audible_to_high_m"))
    results = with_background(**nowhere)
    only = dataclasses.replace(results, takes=results.takes[-2:])
    assert [plain(one.sentence) for one in findings(only)] == ["Hiss: 28.3 dB(A)."]
    off = dataclasses.replace(results, takes=results.takes[-1:])
    assert [one.sentence for one in findings(off)] == [
        "Nothing can be told: the loudspeaker was never on."
    ]


def test_a_hiss_that_is_heard_stands_in_the_verdict() -> None:
    loud = with_background(audible_to_low_m=3.0, audible_to_m=4.0, audible_to_high_m=5.0)
    said = [one for one in findings(loud) if "Hiss" in one.sentence]
    assert [one.anchor for one in said] == ["hiss"]
    only = dataclasses.replace(loud, takes=loud.takes[-2:])
    assert [plain(one.sentence) for one in findings(only)] == [
        "Hiss: heard at the listener's 2.5 m."
    ]


def test_the_page_has_one_section_for_all_backgrounds_and_the_takes_stay() -> None:
    with_it, without = with_background(), sample_results()
    titles = [section.title for section in all_sections(with_it)]
    assert titles.count("Hiss while nothing plays") == 1
    takes = [title for title in titles if title.startswith("Take")]
    assert takes == [s.title for s in all_sections(without) if s.title.startswith("Take")]
    assert hiss_section(without) is None


def test_the_table_has_a_row_a_third_and_no_low_end_where_it_is_at_most() -> None:
    table = dict(all_tables(with_background()))["tweeter-hiss"].splitlines()
    assert table[0].startswith("frequency_hz,on_db,off_db,hiss_db,hiss_low_db,hiss_high_db")
    assert table[1] == "1000.0,7.00,7.00,2.00,,6.00,5.00,2.40"
    assert len(table) == 4


def test_the_figure_tells_values_from_at_most_and_carries_the_limit_to_the_microphone() -> None:
    on, off = background(hiss(), "on"), background(None, "off")
    curves = {curve.key: curve for curve in data(on, off).curves}
    assert np.isnan(curves["hiss"].values[0]) and curves["hiss"].low[0] == -np.inf
    # The room is the higher of both; 2.5 m is 33.98 dB farther than 5 cm.
    assert curves["limit"].values == pytest.approx([38.98, 36.98, 33.98], abs=0.01)
    (axes,) = plot_hiss(on, off).axes
    drawn = {line.get_label(): line.get_xdata().tolist() for line in axes.lines}
    assert drawn["hiss"] == [2000.0, 4000.0] and drawn["_at most"] == [1000.0]


def test_a_comparison_says_that_hiss_is_left_out() -> None:
    pair = [with_background(), with_background()]
    said = left_out(pair, ["one", "two"])
    assert "The background at “tweeter” (one and two): only ladders are compared." in said


@pytest.mark.parametrize(
    ("metres", "up", "text"),
    [(0.0726, False, "7 cm"), (0.131, True, "14 cm"), (1.124, False, "1.1 m"), (2.31, True, "3 m"),
     (0.96, True, "1 m"), (23.0, False, "20 m"), (1506.0, False, "1500 m")],
)  # fmt: skip
def test_distances_are_written_as_coarsely_as_they_are_known(
    metres: float, up: bool, text: str
) -> None:
    assert plain(words.rounded(metres, up=up)) == text
