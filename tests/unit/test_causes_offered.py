"""Possible causes: near enough, with the odds of a chance match, and none without sizes."""

from __future__ import annotations

import math

import pytest

from distsweep.analysis.resonance.causes import (
    Enclosure,
    PredictedMode,
    chance_of_a_match,
    possible_causes,
    predicted_modes,
    sound_speed_m_per_s,
)
from distsweep.conversion.resonances import cause_record
from distsweep.words.resonance_notes import mode_name

CABINET_MM = (150.0, 235.0, 185.0)
PORT_MM = {"length": 141.0, "diameter": 36.0}


def test_without_sizes_nothing_is_predicted() -> None:
    assert predicted_modes(Enclosure()) == []
    assert possible_causes(730.0, 0.005, []) == []


def test_the_height_s_half_wavelength_is_offered() -> None:
    modes = predicted_modes(Enclosure(CABINET_MM, PORT_MM, 20.0))
    offered = possible_causes(728.0, 0.005, modes)
    best = cause_record(offered[0])
    assert "height mode" in best.name
    assert best.predicted_hz == pytest.approx(343.215 / (2 * 0.235), abs=0.01)
    assert best.off_percent == pytest.approx(100 * (728.0 / best.predicted_hz - 1.0))
    assert best.sentence.startswith("Possibly the cabinet's height mode")


def test_a_match_fades_with_distance() -> None:
    mode = [PredictedMode("box", (0, 1, 0), 1000.0, 0.03)]
    matches = [
        sum(c.match for c in possible_causes(1000.0 * math.exp(z * 0.05), 0.04, mode))
        for z in (0.0, 1.0, 1.9, 2.1)
    ]
    # The two uncertainties add as squares to 0.05: exp(−z²/2), and nothing past 2 deviations.
    assert matches == pytest.approx([1.0, math.exp(-0.5), math.exp(-0.5 * 1.9**2), 0.0])


def test_cold_air_lowers_every_mode_and_a_guess_widens_it() -> None:
    warm, cold = (predicted_modes(Enclosure(CABINET_MM, PORT_MM, t)) for t in (30.0, 0.0))
    ratio = sound_speed_m_per_s(30.0) / sound_speed_m_per_s(0.0)
    for a, b in zip(warm, cold, strict=True):
        assert a.frequency_hz / b.frequency_hz == pytest.approx(ratio)
    guessed, known = (predicted_modes(Enclosure(CABINET_MM, PORT_MM, t))[0] for t in (None, 20.0))
    assert guessed.frequency_hz == known.frequency_hz
    assert guessed.uncertainty > known.uncertainty


def test_tuning_needs_both_box_and_port() -> None:
    both, box, port = (
        [mode_name(mode.kind, mode.orders) for mode in predicted_modes(enclosure)]
        for enclosure in (
            Enclosure(CABINET_MM, PORT_MM),
            Enclosure(CABINET_MM),
            Enclosure(port_mm=PORT_MM),
        )
    )
    assert "the box-port tuning" in both
    assert "the box-port tuning" not in box + port
    assert "the port's pipe mode 3 (one and a half wavelengths in the port)" in port
    assert "the cabinet's width and depth mode" in box


def test_the_odds_of_a_chance_match() -> None:
    # One mode of ±2·5 % in a band of e^0.8 = 2.2 to 1: 0.2 of 0.8. Twice the same is no more.
    mode = PredictedMode("box", (0, 1, 0), 1000.0, 0.05)
    band = (1000.0 * math.exp(-0.4), 1000.0 * math.exp(0.4))
    assert chance_of_a_match(0.0, [mode], band_hz=band) == pytest.approx(0.25)
    assert chance_of_a_match(0.0, [mode, mode], band_hz=band) == pytest.approx(0.25)
    assert chance_of_a_match(0.0, [], band_hz=band) == 0.0


def test_absolute_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="temperature_c is -300"):
        sound_speed_m_per_s(-300.0)


@pytest.mark.parametrize(
    ("frequency_hz", "said"),
    [
        (1000.0, "lies on it, within the uncertainty of ±5.0 %."),
        (1040.0, "lies 4.0 % above it, within the uncertainty of ±5.0 %."),
        (930.0, "lies 7.0 % below it, outside the uncertainty of ±5.0 % but within twice that."),
    ],
)
def test_the_distance_is_held_against_the_uncertainty(frequency_hz: float, said: str) -> None:
    (cause,) = possible_causes(frequency_hz, 0.04, [PredictedMode("box", (0, 1, 0), 1000.0, 0.03)])
    assert said in cause_record(cause).sentence
