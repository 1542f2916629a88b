"""Impulse and step response: the part that is recorded, its file, its figure and its words."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from conftest import Demo
from report_samples import sample_results, sample_take, words_of

from distsweep.analysis.sweep.harmonics import ImpulseResponse as Measured
from distsweep.analysis.sweep.shown_impulse import MOST_SAMPLES, shown_impulse
from distsweep.errors import InputError
from distsweep.report.impulse.figure import data, picture, plot_impulse_response
from distsweep.report.impulse.section import impulse as section
from distsweep.report.impulse.section import room_words
from distsweep.results import ImpulseResponse, RecordedCalibration, Take, read_results, to_json
from distsweep.results import write_results as write

RATE_HZ = 48000.0


def measured(rate_hz: float = RATE_HZ) -> Measured:
    """A click of −0.25 that dies away, 10 ms into half a second."""
    origin = int(0.01 * rate_hz)
    time_s = np.arange(int(0.5 * rate_hz)) / rate_hz
    samples = np.concatenate([np.zeros(origin), -0.25 * np.exp(-time_s / 0.002)])
    return Measured(samples, origin, rate_hz, 0)


def found(**changes: object) -> ImpulseResponse:
    one = shown_impulse(measured(), drive_dbfs=-10.0)
    assert one is not None
    return dataclasses.replace(one, **changes)  # type: ignore[arg-type]


def take_with(impulse: ImpulseResponse | None) -> Take:
    return dataclasses.replace(sample_take(), impulse=impulse)


def test_the_part_around_the_direct_sound_is_kept_at_the_full_rate() -> None:
    one = found()
    assert one.rate_hz == RATE_HZ and one.window_s == (0.003, 0.02)
    np.testing.assert_allclose(one.time_s[[0, 144, -1]], [-0.003, 0.0, 0.02])
    wanted = np.where(one.time_s >= 0.0, -np.exp(-one.time_s / 0.002), 0.0)
    np.testing.assert_allclose(one.pressure, wanted, atol=1e-12)


def test_the_step_is_the_running_sum() -> None:
    one = found()
    x = np.exp(-1.0 / RATE_HZ / 0.002)
    after = np.arange(len(one.pressure) - 144)
    geometric = (1.0 - x ** (after + 1)) / (1.0 - x)
    np.testing.assert_allclose(one.step[144:], -geometric / geometric[-1], atol=1e-12)
    assert np.all(one.step[:144] == 0.0)


def test_a_high_rate_keeps_the_file_small() -> None:
    one = shown_impulse(measured(384000.0), drive_dbfs=-10.0)
    assert one is not None and len(one.pressure) == MOST_SAMPLES
    assert one.window_s[1] == pytest.approx(one.time_s[-1])
    assert len(to_json(one)) < 50_000


@pytest.mark.parametrize("samples", [np.zeros(24480), np.full(24480, np.nan)])
def test_silence_has_no_impulse_response(samples: np.ndarray) -> None:
    assert shown_impulse(Measured(samples, 480, RATE_HZ, 0), drive_dbfs=-10.0) is None
    assert shown_impulse(None, drive_dbfs=-10.0) is None


def test_only_the_ladder_on_the_axis_has_one(demo: Demo) -> None:
    having = [take for take in demo.results.takes if take.impulse is not None]
    assert [(take.position, take.kind) for take in having] == [("axis", "ladder")]
    (take,) = having
    impulse = take.impulse
    assert impulse is not None and take.decay_map is not None
    assert impulse.drive_dbfs == max(r.drive_dbfs for r in take.rungs if not r.clipped)
    assert impulse.free_s == take.decay_map.reflection_s
    assert len(to_json(impulse)) < 20_000


def test_it_comes_back_from_the_file(tmp_path: Path) -> None:
    one = found(free_s=0.0043)
    write(sample_results(take_with(one)), tmp_path / "results.json")
    back = read_results(tmp_path / "results.json").takes[0].impulse
    assert back is not None
    np.testing.assert_allclose(back.pressure, one.pressure, atol=0.6e-5)
    np.testing.assert_array_equal(back.time_s, one.time_s)
    assert (back.window_s, back.free_s, back.drive_dbfs) == ((0.003, 0.02), 0.0043, -10.0)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("samples_before", -1),
        ("samples_before", 5000),
        ("pressure", [None, 1.0]),
        ("pressure", []),
        ("rate_hz", 0.0),
        ("window_s", [0.003]),
    ],
)
def test_a_damaged_one_is_refused(tmp_path: Path, name: str, value: object) -> None:
    content = json.loads(to_json(sample_results(take_with(found()))))
    content["takes"][0]["impulse"][name] = value
    path = tmp_path / "results.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(InputError, match="is damaged"):
        read_results(path)


def test_both_panels_draw_what_the_numbers_say() -> None:
    take = take_with(found(free_s=0.0043))
    figure = plot_impulse_response(take)
    curves = data(take).curves
    assert [curve.key for curve in curves] == ["impulse", "step"]
    assert take.impulse is not None
    np.testing.assert_array_equal(curves[1].values, 100.0 * take.impulse.step)
    for axes, curve in zip(figure.axes, curves, strict=True):
        (line,) = [x for x in axes.get_lines() if x.get_gid() == f"curve.{curve.key}"]
        np.testing.assert_array_equal(line.get_xdata(), curve.x)
        np.testing.assert_array_equal(line.get_ydata(), curve.values)
        assert axes.get_gid() == "x.time" and axes.get_xlim() == (-0.003, 0.02)
        low, high = axes.get_ylim()
        assert low < curve.values.min() and high > curve.values.max()
        (dashed,) = [x for x in axes.get_lines() if x.get_label() == "_reflection"]
        assert dashed.get_xdata()[0] == 0.0043


def test_who_cannot_see_it_is_told_when_the_step_crosses_zero() -> None:
    time_s = np.arange(-144, 961) / RATE_HZ
    # A step of cos(2π·t/8 ms) crosses zero after 2 ms; its slope is the pressure.
    swinging = np.where(time_s >= 0.0, np.diff(np.cos(np.pi * time_s / 0.004), prepend=0.0), 0.0)
    swinging[144] = 1.0
    told = picture(take_with(found(pressure=swinging)), "axis").alternative
    assert "falls through zero 2.0 ms after" in told.replace("\N{NO-BREAK SPACE}", " ")
    never = picture(take_with(found()), "axis").alternative
    assert never == "Impulse response and step response against time."


def test_without_one_there_is_no_figure_and_no_section() -> None:
    take = take_with(None)
    assert section(sample_results(take), take, "axis") is None
    assert data(take).curves == []
    with pytest.raises(ValueError, match="no impulse response"):
        plot_impulse_response(take)


@pytest.mark.parametrize(
    ("free_s", "words"),
    [
        (None, "No reflection was found"),
        (0.0043, "From 4.3 ms after the direct sound on reflections are in it"),
        (0.031, "31.0 ms after the direct sound: behind the window"),
    ],
)
def test_it_says_what_a_room_adds(free_s: float | None, words: str) -> None:
    assert words in room_words(found(free_s=free_s)).replace("\N{NO-BREAK SPACE}", " ")


def test_the_section_is_folded_and_names_rung_window_and_correction() -> None:
    take = dataclasses.replace(
        take_with(found()), calibration=RecordedCalibration(11.2, mic_correction="mic.txt")
    )
    one = section(sample_results(take), take, "axis")
    assert one is not None and one.folded and "−10" in one.lead
    text = words_of(sample_results(take)).text
    for part in ("−10 dBFS, the highest level that did not clip", "from 3.0 ms before to 20.0 ms",
                 "microphone's correction is not in it"):  # fmt: skip
        assert part in text
    assert "drive was lower" not in text
    take.drive_shape_db[:40] = -6.0
    assert "drive was lower" in words_of(sample_results(take)).text
