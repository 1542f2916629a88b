"""The loop-back: the interface's own harmonics, told from a loudspeaker's, by closed forms.

The interface is a cubic: of x − c·x³ with x = A·sin, H3 is c·A²/4 over 1 − 3/4·c·A². The
loudspeaker is a branch behind it, filtered, late, and noisy.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import soundfile
from closed_form import Branch, cascade, flat, harmonic_amplitudes, high_pass, low_pass, peak, play
from conftest import long

from distsweep.analysis.resonance.causes import sound_speed_m_per_s
from distsweep.errors import InputError
from distsweep.pipeline import analyse, analyse_recording
from distsweep.reason import Reason
from distsweep.report.distortion import harmonics, interface, thd
from distsweep.report.distortion.csv_table import ladder_table
from distsweep.report.summary import summary_sentences
from distsweep.results import Results, Rung, Take, parse_results, to_json
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import read_sidecar
from distsweep.stimulus.write import write_stimulus
from distsweep.takes.loopback import LoopbackClock
from distsweep.takes.placement import Placement
from distsweep.words.warnings import warning_sentence

RATE_HZ, LOUDEST_DBFS, LATE = 48000, -8.0, 140
RECIPE = {
    "kind": "ladder", "name": "short", "rate_hz": RATE_HZ, "band_hz": [80, 16000],
    "sweep_s": 1.5, "levels_dbfs": [-20.0, -14.0, LOUDEST_DBFS], "order": 4, "quiet_s": 0.8,
    "pause_s": 0.5, "return_rung": False,
}  # fmt: skip
AMPLITUDE = 10.0 ** (LOUDEST_DBFS / 20.0)


def cubic(third_db: float) -> float:
    """Coefficient of x³ whose third harmonic has this level at the loudest drive (mild)."""
    return -4.0 * 10.0 ** (third_db / 20.0) / AMPLITUDE**2


def speaker(second: float, third: float) -> list[Branch]:
    filters = cascade(high_pass(60, 0.9), peak(900, 5, 5))
    return [Branch(flat, (1.0, second, third), cascade(filters, low_pass(15000)))]


INTERFACE = [Branch(flat, (1.0, 0.0, cubic(-80.0)), flat)]
CLEAN, CURVED = speaker(0.003, 0.0), speaker(0.003, cubic(-50.0))


@pytest.fixture(scope="module")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("loopback")
    return write_stimulus(parse_recipe(dict(RECIPE), "test"), folder)[1][-1]


def record(
    folder: Path,
    sidecar: Path,
    loudspeaker: list[Branch],
    *,
    noise: float = 3e-6,
    change: object = None,
) -> Path:
    """Write a recording of two channels: the microphone's, and the loop-back."""
    played, _ = soundfile.read(sidecar.with_suffix(".wav"))
    sent = play(INTERFACE, np.pad(played, (0, 4000)), RATE_HZ)
    heard = 0.5 * np.roll(play(loudspeaker, sent, RATE_HZ), LATE)
    both = np.stack([heard, sent], axis=1)
    both += noise * np.random.default_rng(7).standard_normal(both.shape)
    if callable(change):
        change(both)
    path = folder / "short-recorded.wav"
    soundfile.write(path, both, RATE_HZ, subtype="FLOAT")
    return path


@pytest.fixture(scope="module")
def clean_path(tmp_path_factory: pytest.TempPathFactory, sidecar: Path) -> Path:
    return record(tmp_path_factory.mktemp("clean"), sidecar, CLEAN)


@pytest.fixture(scope="module")
def clean(clean_path: Path, sidecar: Path) -> Results:
    return analyse_recording(clean_path, stimulus=sidecar, loopback_channel=2)


@pytest.fixture(scope="module")
def curved(tmp_path_factory: pytest.TempPathFactory, sidecar: Path) -> Results:
    path = record(tmp_path_factory.mktemp("curved"), sidecar, CURVED)
    return analyse_recording(path, stimulus=sidecar, loopback_channel=2)


def third_of(results: Results) -> tuple[np.ndarray, Take]:
    take = results.take()
    return 3.0 * take.frequency_hz < RECIPE["band_hz"][1], take


def test_the_interfaces_third_harmonic_is_what_its_cubic_makes(clean: Results) -> None:
    held, take = third_of(clean)
    for rung in take.rungs:
        own = rung.harmonics[3]
        made = harmonic_amplitudes(INTERFACE, np.ones(1), 10 ** (rung.drive_dbfs / 20), 3)
        made_db = 20 * np.log10(made[2] / made[0])[0]
        # Of ends at 95 %, one in forty may lie below.
        assert np.mean(own.interface_high_db[held] >= made_db) >= 0.95
        if rung.drive_dbfs == LOUDEST_DBFS:  # 30 dB over the loop-back's noise: within 0.3 dB
            np.testing.assert_allclose(own.interface_db[held], made_db, atol=0.5)
    none = np.isnan(take.rungs[-1].harmonics[2].interface_db)
    assert none.mean() > 0.9, "it has no second; of noise one in forty seems to have a low end"


def test_what_the_interface_made_is_nowhere_the_loudspeakers(clean: Results) -> None:
    held, take = third_of(clean)
    for rung in take.rungs:
        third = rung.harmonics[3]
        assert not third.reliable.any()
        assert np.all(np.isneginf(third.low_db[held]))
        shown = np.isfinite(third.interface_db)
        assert np.all(third.interface_reach_db[shown] >= third.interface_db[shown])
        for smoothed in rung.smoothed:
            known = np.isfinite(smoothed.harmonics[3].high_db)
            assert known.any()
            assert np.all(np.isneginf(smoothed.harmonics[3].low_db[known]))
    below = 2.0 * take.frequency_hz < RECIPE["band_hz"][1]
    second = take.rungs[-1].harmonics[2]
    assert second.reliable[below].mean() > 0.9, "the second is the loudspeaker's"
    assert not [seen for one in clean.resonances for seen in one.seen_in if seen.order == 3]


def test_a_louder_harmonic_is_the_loudspeakers_within_its_interval(curved: Results) -> None:
    held, take = third_of(curved)
    rung, third = take.rungs[-1], take.rungs[-1].harmonics[3]
    made = harmonic_amplitudes(CURVED, take.frequency_hz, AMPLITUDE, 3)
    truth_db = 20 * np.log10(made[2] / made[0])
    inside = (third.low_db <= truth_db) & (truth_db <= third.high_db)
    assert inside[held].mean() >= 0.95
    assert third.reliable[held].mean() > 0.9
    assert np.all(rung.thd_interface_db[held] >= third.interface_db[held] - 0.1)


def test_thd_moves_by_no_more_than_the_reach(curved: Results, sidecar: Path) -> None:
    """Against the same recording without its loop-back: amplitudes add."""
    held, take = third_of(curved)
    for rung in take.rungs:
        reach = 10 ** (rung.thd_interface_reach_db[held] / 20)
        level = 10 ** (rung.thd_db[held] / 20)
        low, high = (10 ** (e[held] / 20) for e in (rung.thd_low_db, rung.thd_high_db))
        assert np.all(high >= level + 0.999 * reach)
        assert np.all(low <= np.maximum(level - 0.999 * reach, 0.0) + 1e-12)


def test_the_loopback_tells_clock_and_time_of_flight(clean: Results) -> None:
    loopback = clean.take().loopback
    assert loopback is not None and loopback.delay_ms is not None
    # The loudspeaker's own high- and low-pass move its marker by a sample or two.
    assert loopback.delay_ms == pytest.approx(1e3 * LATE / RATE_HZ, abs=0.05)
    assert loopback.distance_m == pytest.approx(
        1e-3 * loopback.delay_ms * sound_speed_m_per_s(20.0), rel=1e-6
    )
    assert clean.take().clock_drift_ppm == loopback.clock_drift_ppm == pytest.approx(0, abs=0.01)


def test_results_with_a_loopback_are_read_again(clean: Results) -> None:
    again = parse_results(to_json(clean), where="again").take()
    first = clean.take()
    assert again.loopback == dataclasses.replace(
        first.loopback,
        **{
            name: round(value, 4)
            for name, value in vars(first.loopback).items()
            if isinstance(value, float)
        },
    )
    np.testing.assert_allclose(
        again.rungs[-1].harmonics[3].interface_reach_db,
        first.rungs[-1].harmonics[3].interface_reach_db,
        atol=1e-3,
    )


def test_without_a_loopback_results_hold_nothing_of_it(clean_path: Path, sidecar: Path) -> None:
    results = analyse_recording(clean_path, stimulus=sidecar)
    third = results.take().rungs[-1].harmonics[3]
    assert third.reliable.any(), "nothing tells that it is the interface's"
    for name in ("loopback", "interface"):
        assert name not in to_json(results)


def mute(both: np.ndarray) -> None:
    both[:, 1] = 0.0


def noise_only(both: np.ndarray) -> None:
    both[:, 1] = 0.01 * np.random.default_rng(2).standard_normal(len(both))


def exchange(both: np.ndarray) -> None:
    both[:] = both[:, ::-1].copy()


def clip(both: np.ndarray) -> None:
    np.clip(2.6 * both[:, 1], -1.0, 1.0, out=both[:, 1])


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (mute, "it is silent, or does not hold the stimulus"),
        long(noise_only, "it is silent, or does not hold the stimulus"),
        (exchange, "Were the channels exchanged?"),
        long(clip, "clips at −8 dBFS"),
    ],
)
def test_a_loopback_that_cannot_serve_is_one_warning(
    tmp_path: Path, sidecar: Path, change: object, text: str
) -> None:
    path = record(tmp_path, sidecar, CLEAN, change=change)
    results = analyse_recording(path, stimulus=sidecar, loopback_channel=2)
    told = [w.message for w in results.warnings if "loop-back" in w.message]
    assert len(told) == 1 and text in told[0]
    assert not results.take().rungs[-1].harmonics[3].interface_db.size or change is clip


def test_a_channel_is_not_both(clean_path: Path, sidecar: Path) -> None:
    with pytest.raises(InputError, match="cannot be both"):
        analyse_recording(clean_path, stimulus=sidecar, channel=2, loopback_channel=2)


@pytest.mark.parametrize(
    ("noted_m", "text"),
    [(3.0, "is distance_m right?"), long(0.3, "electronics"), long(1.0, None)],
)
def test_a_distance_that_sound_cannot_have_come_is_doubted(
    tmp_path: Path, clean_path: Path, sidecar: Path, noted_m: float, text: str | None
) -> None:
    """140 samples are 1.0 m at 20 °C."""
    (tmp_path / "session.toml").write_text(
        f"[conditions]\ntemperature_c = 20.0\ndistance_m = {noted_m}\n"
        f'[[takes]]\nposition = "axis"\nstimulus = "{sidecar}"\nrecording = "{clean_path}"\n'
        "channel = 1\nloopback_channel = 2\n"
    )
    told = [w.message for w in analyse(tmp_path).warnings if w.code == "flight_time"]
    assert (text is None and not told) or (text is not None and text in told[0])


PEAKED = [Branch(flat, (1.0,), cascade(high_pass(60, 0.9), peak(1500, 12, 14), low_pass(15000)))]
"""A loudspeaker that makes no harmonic at all, and lifts by 14 dB what the interface's third
brings to 1500 Hz."""


@pytest.fixture(scope="module")
def peaked(tmp_path_factory: pytest.TempPathFactory, sidecar: Path) -> Results:
    path = record(tmp_path_factory.mktemp("peaked"), sidecar, PEAKED)
    return analyse_recording(path, stimulus=sidecar, loopback_channel=2)


def test_nothing_of_the_interfaces_is_found_in_a_loudspeaker(peaked: Results) -> None:
    """Without its loop-back the same recording shows a resonance, narrow peaks and reliable THD."""
    held, take = third_of(peaked)
    lifted_db = take.rungs[-1].harmonics[3].level_db[held].max()
    assert lifted_db > -70.0, "the peak lifts it"
    assert not any(one.seen_in for one in peaked.resonances)
    assert not take.spikes and not take.high_order_onset and not take.thd_advice
    assert [limiter.kind for limiter in take.limiters] == ["none"]
    for rung in take.rungs:
        assert not rung.thd_reliable[held].any()
    sentences = summary_sentences(peaked, take)
    assert any("At no frequency is that level's THD reliable" in one for one in sentences)
    assert not [one for one in sentences if "highest reliable THD" in one and "was" in one]


def test_page_figures_and_tables_show_the_interface(clean: Results) -> None:
    take = clean.take()
    rung = take.rungs[-1]
    said = [one for one in summary_sentences(clean, take) if "interface itself" in one]
    assert len(said) == 1 and "makes 0.0100\N{NO-BREAK SPACE}% of H3" in said[0]
    curves = {curve.key: curve for curve in harmonics.data(take, rung).curves}
    assert "h3-interface" in curves and "h2-interface" not in curves, "of H2 it shows noise"
    np.testing.assert_array_equal(
        curves["h3-interface"].values, rung.harmonics[3].interface_reach_db
    )
    assert "interface" in [curve.key for curve in thd.data(take).curves]
    rows = [line.split(",") for line in ladder_table(take).splitlines()]
    place = rows[0].index("h3_interface_db")
    written = [float(row[place]) for row in rows[-len(take.frequency_hz) :] if row[place]]
    assert np.median(written) == pytest.approx(-80.0, abs=0.2)
    without = dataclasses.replace(take, rungs=[without_interface(one) for one in take.rungs])
    assert "interface" not in ladder_table(without).splitlines()[0]
    assert interface.sentence(clean, without) is None


def without_interface(rung: Rung) -> Rung:
    nothing = np.zeros(0)
    return dataclasses.replace(
        rung, thd_interface_db=nothing, thd_interface_high_db=nothing,
        thd_interface_reach_db=nothing,
        harmonics={
            n: dataclasses.replace(
                one, interface_db=nothing, interface_high_db=nothing, interface_reach_db=nothing
            )
            for n, one in rung.harmonics.items()
        },
    )  # fmt: skip


def test_the_interface_is_a_dotted_line_over_the_noise(clean: Results) -> None:
    take = clean.take()
    for figure in (thd.plot_thd(take), harmonics.plot_harmonics(take)):
        lines = [line for axes in figure.axes for line in axes.lines]
        dotted = [line for line in lines if line.get_label() == interface.NAME]
        assert len(dotted) == 1 and dotted[0].is_dashed()


def test_a_floor_holds_the_reach(clean: Results) -> None:
    held, take = third_of(clean)
    curve = take.rungs[-1].harmonics[3]
    powers = [10 ** (part[held] / 10) for part in (curve.floor_db, curve.interface_reach_db)]
    np.testing.assert_allclose(10 ** (curve.whole_floor_db[held] / 10), powers[0] + powers[1])


@pytest.mark.long
def test_a_lost_marker_leaves_the_loopbacks_clock(tmp_path: Path, sidecar: Path) -> None:
    (file,) = read_sidecar(sidecar).files

    def lose(both: np.ndarray) -> None:
        both[file.end_marker_sample :, 0] = 0.0

    path = record(tmp_path, sidecar, CLEAN, change=lose)
    results = analyse_recording(path, stimulus=sidecar, channel=1, loopback_channel=2)
    told = [w.message for w in results.warnings if w.code == "incomplete"]
    assert told and "the clock drift was taken from the loop-back" in told[0]
    assert results.take().clock_drift_ppm == pytest.approx(0.0, abs=0.01)


def test_a_clock_turns_around_what_is_surest_of_a_place() -> None:
    own = Placement(10.0, 1.0001, "both", 0.9, middle=5000.0)
    clock = LoopbackClock(2, [10.0, 10.0], [own, None])
    heard = Placement(150.0, 1.0, "start", 0.9, middle=1000.0)
    one, other = clock.clocked([heard, heard], [False, False])
    assert (one.scale, one.at(1000.0)) == (own.scale, pytest.approx(heard.at(1000.0)))
    assert one.clock_drift_ppm == pytest.approx(100.0) and other == heard
    assert clock.clocked([heard, heard], [True, True]) == [heard, heard], "mended: not its clock"


@pytest.mark.parametrize(
    ("code", "values", "text"),
    [
        ("loopback_softer", {"short_db": 12.3}, "up to 12 dB louder than the loop-back's"),
        ("loopback_staircase", {"channel": 2}, "tells the delay only"),
        ("loopback_unused", {"channel": 2, "why": "no_markers"}, "takes a stimulus with markers"),
        ("loopback_unused", {"channel": 2, "why": "elsewhere", "delay_ms": 2000.0}, "2000.0 ms"),
        ("loopback_unused", {"channel": 3, "why": "unusable", "reason": "a.wav: is cut off"},
         "was not used: a.wav: is cut off."),
    ],
)  # fmt: skip
def test_what_a_loopback_leaves_open_is_said(code: str, values: dict, text: str) -> None:
    assert text in warning_sentence(Reason(code, **values))
