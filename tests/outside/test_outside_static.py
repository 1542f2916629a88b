"""Static curves whose harmonics are known in closed form, bent at a multiple of the rate.

Every curve works on the whole sweep, its fades included, as a real device would.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.polynomial import Chebyshev, Polynomial
from whole_path import PlayedLadder, analysed, level_db, memoryless, write_ladder

import distsweep

# An octave above the band's lower end (at its lower end a 3 s sweep is right to 0.02 dB only,
# which the waves' tests show) a level is right to 0.001 dB, plus what the method and a 32-bit
# float file leave: −145 dB re the fundamental.
FROM_HZ = 80.0
TOLERANCE_DB = 0.001
LEFT_OVER_DB = -145.0

# Where there is no harmonic, an order shows what its neighbours leak into its window: 93 dB
# under a neighbour an octave above the band's lower end, −123 dB beside one of −30 dB.
ABSENT_DB = -120.0


def tolerance_db(expected_db: float) -> float:
    return TOLERANCE_DB + level_db(1.0 + 10.0 ** ((LEFT_OVER_DB - expected_db) / 20.0))


# y = Σ cₙ·Tₙ(x), and with x = cos t Tₙ(cos t) = cos(n·t): harmonic n is cₙ, at amplitude 1 only
# (Abramowitz, Stegun: Handbook of Mathematical Functions, chapter 22). At amplitude ½ the
# amplitudes follow from the expanded polynomial, derived.
RECIPE = (0.0, 1.0, 0.1, 0.05, 0.02, 0.01)
RECIPE_EXPANDED = (-0.08, 0.9, 0.04, 0.0, 0.16, 0.16)
RECIPE_AMPLITUDES = {
    0.5: (0.453125, 0.01, 0.0015625, 0.00125, 0.0003125),
    1.0: (1.0, 0.1, 0.05, 0.02, 0.01),
}
RECIPE_THD = 0.114017543

# y = x + a₂x² + a₃x³ + a₅x⁵, amplitudes of harmonics 1, 2, 3, 5 and THD; derived from the
# expansion of powers of a cosine. The rows of a curve are for amplitudes 0.1, 0.5 and 1.
POWER_AMPLITUDES = (0.1, 0.5, 1.0)
POWER_SERIES = {
    (0.1, 0.05, 0.02): (
        (0.100037625, 0.0005, 1.25625e-05, 1.25e-08, 0.004999696781),
        (0.505078125, 0.0125, 0.0017578125, 3.90625e-05, 0.02499227532),
        (1.05, 0.05, 0.01875, 0.00125, 0.05087109671),
    ),
    (0.02, -0.01, 0.0): (
        (0.0999925, 0.0001, 2.5e-06, 0.0, 0.00100038748),
        (0.4990625, 0.0025, 0.0003125, 0.0, 0.005048376799),
        (0.9925, 0.01, 0.0025, 0.0, 0.01038565649),
    ),
    (0.0, -0.15, 0.03): (
        (0.0998876875, 0.0, 3.740625e-05, 1.875e-08, 0.0003744831384),
        (0.4865234375, 0.0, 0.00439453125, 5.859375e-05, 0.009033319916),
        (0.90625, 0.0, 0.028125, 0.001875, 0.03110337182),
    ),
}

# A·sin t clipped at ±c, r = c/A: b₁, b₃, b₅, b₇ re A, and the fundamental's compression in dB.
# Derived: b₁ = (2/π)(φ + sin(2φ)/2), φ = asin r, and the general bₙ; checked by quadrature.
CLIPPED_SINE = {
    0.9: (0.96261392653, 0.03163455829, 0.02201765257, 0.01150774846, -0.330957),
    0.8: (0.89591196134, 0.07333859778, 0.03109556546, 0.00031849905, -0.954693),
    0.7: (0.81187959563, 0.10820371407, 0.01990948339, 0.01603888196, -1.810167),
    0.5: (0.60899778104, 0.13783222386, 0.02756644477, 0.00984515885, -4.307686),
    0.25: (0.31496235753, 0.09631319438, 0.04815659719, 0.02536820745, -10.034827),
}

# tanh(g·sin t): b₁, b₃, b₅, b₇ and 20·log10(b₁/g). Derived by quadrature in 30 digits.
TANH_SINE = {
    0.25: (2.461733689530e-01, 1.262447350658e-03, 7.789144179e-06, 4.864508288e-08, -0.13397879),
    0.5: (4.711428278480e-01, 9.240183470541e-03, 2.196796776e-04, 5.291412257e-06, -0.51634840),
    1.0: (8.116756851316e-01, 5.424581032626e-02, 4.516821993e-03, 3.824471706e-04, -1.81234928),
    2.0: (1.117941837340, 1.887423247706e-01, 4.300467597e-02, 1.010696609e-02, -5.05221573),
}


def through(played: PlayedLadder, curve: Callable, *, oversampling: int) -> distsweep.Take:
    bent = [
        memoryless(played.rung(i), curve, oversampling=oversampling)
        for i in range(len(played.starts))
    ]
    return analysed(played, played.with_rungs(bent))


def without_constant(coefficients: tuple[float, ...]) -> Polynomial:
    """Drop the constant term: no microphone passes it on."""
    return Polynomial((0.0, *coefficients[1:]))


def check(take: distsweep.Take, rung: int, amplitudes: dict[int, float]) -> None:
    """Hold fundamental and harmonics (order → amplitude, 0 = none) against measured levels."""
    result = take.rungs[rung]
    for order, amplitude in amplitudes.items():
        here = (take.frequency_hz >= FROM_HZ) & (order * take.frequency_hz <= 16000.0)
        if order == 1:
            error_db = result.fundamental_db[here] - level_db(amplitude)
            # The fundamental's upper half octave is within 0.006 dB: the fade-out is near.
            lower = take.frequency_hz[here] < 11000.0
            assert np.max(np.abs(error_db[lower])) < TOLERANCE_DB, order
            assert np.max(np.abs(error_db)) < 0.01, order
            continue
        measured_db = result.harmonics[order].level_db[here]
        if amplitude == 0.0:
            # Where nothing is left above what the method shows by itself there is no level.
            assert np.nanmax(measured_db, initial=-np.inf) < ABSENT_DB, order
            continue
        expected_db = level_db(amplitude / amplitudes[1])
        assert np.max(np.abs(measured_db - expected_db)) < tolerance_db(expected_db), order


@pytest.fixture(scope="module")
def one_rung(tmp_path_factory: pytest.TempPathFactory) -> PlayedLadder:
    return write_ladder(tmp_path_factory.mktemp("one"), levels_dbfs=[0.0], order=5)


@pytest.mark.parametrize("order", [2, 3, 4, 5])
def test_a_chebyshev_polynomial_makes_one_harmonic(one_rung: PlayedLadder, order: int) -> None:
    # The published expansions: T₂ = 2x² − 1, T₃ = 4x³ − 3x, T₄ = 8x⁴ − 8x² + 1,
    # T₅ = 16x⁵ − 20x³ + 5x (Abramowitz, Stegun, chapter 22).
    expansion = {
        2: (-1, 0, 2),
        3: (0, -3, 0, 4),
        4: (1, 0, -8, 0, 8),
        5: (0, 5, 0, -20, 0, 16),
    }[order]
    curve = without_constant((0.0, 1.0)) + 0.03 * without_constant(expansion)
    take = through(one_rung, curve, oversampling=4)  # 5 · 19.1 kHz: half of 192 kHz is enough
    amplitudes = {1: 1.0, **{n: 0.03 if n == order else 0.0 for n in range(2, 6)}}
    check(take, 0, amplitudes)


def test_chebyshev_recipe(tmp_path_factory: pytest.TempPathFactory) -> None:
    expanded = Chebyshev(RECIPE).convert(kind=Polynomial).coef
    assert expanded == pytest.approx(np.array(RECIPE_EXPANDED))
    played = write_ladder(
        tmp_path_factory.mktemp("recipe"), levels_dbfs=[level_db(0.5), 0.0], order=5
    )
    take = through(played, without_constant(RECIPE_EXPANDED), oversampling=4)
    for rung, amplitudes in enumerate(RECIPE_AMPLITUDES.values()):
        check(take, rung, dict(enumerate(amplitudes, start=1)))
    all_summed = (take.rungs[1].orders_summed == 4) & (take.frequency_hz >= FROM_HZ)
    thd_db = take.rungs[1].thd_db[all_summed]
    assert np.max(np.abs(thd_db - level_db(RECIPE_THD))) < TOLERANCE_DB


@pytest.mark.parametrize("curve", POWER_SERIES, ids=str)
def test_power_series(
    curve: tuple[float, float, float], tmp_path_factory: pytest.TempPathFactory
) -> None:
    a2, a3, a5 = curve
    played = write_ladder(
        tmp_path_factory.mktemp("power"), levels_dbfs=level_db(np.array(POWER_AMPLITUDES)), order=5
    )
    take = through(played, Polynomial((0.0, 1.0, a2, a3, 0.0, a5)), oversampling=4)
    for rung, (h1, h2, h3, h5, thd) in enumerate(POWER_SERIES[curve]):
        check(take, rung, {1: h1, 2: h2, 3: h3, 4: 0.0, 5: h5})
        here = (take.rungs[rung].orders_summed >= 4) & (take.frequency_hz >= FROM_HZ)
        assert np.max(np.abs(take.rungs[rung].thd_db[here] - level_db(thd))) < TOLERANCE_DB


def test_clipped_sine(tmp_path_factory: pytest.TempPathFactory) -> None:
    clip_at = 0.25
    clean = 0.2  # the reference rung stays under the clip
    amplitudes = [clean, *(clip_at / r for r in CLIPPED_SINE)]
    played = write_ladder(
        tmp_path_factory.mktemp("clip"), levels_dbfs=level_db(np.array(amplitudes)), order=7
    )
    # Harmonic n of a clipped sine falls like 1/n²: folded back at 16 times the rate, those of
    # 1 kHz lie below 1/760², −115 dB, those of 2.2 kHz (the seventh ends there) below −100 dB.
    take = through(played, lambda x: np.clip(x, -clip_at, clip_at), oversampling=16)
    here = (take.frequency_hz >= FROM_HZ) & (take.frequency_hz <= 16000.0 / 7.0)
    for index, (r, (b1, b3, b5, b7, compression_db)) in enumerate(CLIPPED_SINE.items(), start=1):
        rung = take.rungs[index]
        assert rung.fundamental_db[here] == pytest.approx(
            np.full(np.count_nonzero(here), level_db(b1 * amplitudes[index])), abs=TOLERANCE_DB
        )
        gain_change_db = take.compression.gain_change_db[index][here]
        assert np.max(np.abs(gain_change_db - compression_db)) < TOLERANCE_DB, r
        for order, b in ((3, b3), (5, b5), (7, b7)):
            # What folds back lies at −103 dB where even orders would be: that moves a harmonic of
            # −69 dB (b₇ at r = 0.8, near its zero) by up to 0.2 dB, those above −40 dB by 0.006 dB.
            tolerance_db = 0.2 if b / b1 < 1e-3 else 0.006
            error_db = rung.harmonics[order].level_db[here] - level_db(b / b1)
            assert np.max(np.abs(error_db)) < tolerance_db, (r, order)
        for order in (2, 4, 6):
            absent_db = rung.harmonics[order].level_db[here]
            assert np.nanmax(absent_db, initial=-np.inf) < -100.0, (r, order)


def test_tanh(tmp_path_factory: pytest.TempPathFactory) -> None:
    loudest = max(TANH_SINE)
    drives = [g / loudest for g in TANH_SINE]
    played = write_ladder(
        tmp_path_factory.mktemp("tanh"), levels_dbfs=level_db(np.array(drives)), order=7
    )
    take = through(played, lambda x: np.tanh(loudest * x), oversampling=8)
    first_gain_db = TANH_SINE[min(TANH_SINE)][-1]
    here = (take.frequency_hz >= FROM_HZ) & (take.frequency_hz <= 16000.0)
    for index, (g, (b1, b3, b5, b7, gain_db)) in enumerate(TANH_SINE.items()):
        amplitudes = {1: b1, 2: 0.0, 3: b3, 4: 0.0, 5: b5, 6: 0.0, 7: b7}
        check(take, index, amplitudes)
        gain_change_db = take.compression.gain_change_db[index][here]
        assert np.max(np.abs(gain_change_db - (gain_db - first_gain_db))) < TOLERANCE_DB, g
