"""Compression against published values, other programs' arithmetic, and closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
from staircase_bench import analysed

from distsweep.analysis.limits.clipping import clipped_sine
from distsweep.analysis.limits.static_curve import fit_static_curve, knee_shape_db, ratio_of_steps
from distsweep.analysis.limits.thermal import (
    COPPER_PER_K,
    resistance_ratio,
    temperature_rise_k,
    thermal_loss_db,
)
from distsweep.analysis.tone.sine_fit import fit_harmonics, fit_sine, fit_sine_and_frequency

# Worked points of the soft knee of Giannoulis, Massberg and Reiss (JAES 60(6), 2012), with
# threshold −20, ratio 4 and knee 10 dB: input, soft output, hard output.
WORKED = (
    (-40.0, -40.0, -40.0),
    (-30.0, -30.0, -30.0),
    (-25.0, -25.0, -25.0),
    (-24.0, -24.0375, -24.0),
    (-22.5, -22.734375, -22.5),
    (-20.0, -20.9375, -20.0),
    (-17.5, -19.609375, -19.375),
    (-16.0, -19.0375, -19.0),
    (-15.0, -18.75, -18.75),
    (-12.0, -18.0, -18.0),
    (-10.0, -17.5, -17.5),
    (-6.0, -16.5, -16.5),
    (0.0, -15.0, -15.0),
)

# The clipped sine's Fourier coefficients by r = clipping level / amplitude: b1, b3, b5, b7, THD
# over all orders, and the fundamental's loss in dB (closed form, checked by quadrature).
CLIPPED = (
    (0.95, 0.98667998899, 0.01227494042, -0.01036004971, 0.00788778903, 0.0192401388, -0.116474),
    (0.9, 0.96261392653, 0.03163455829, -0.02201765257, 0.01150774846, 0.0421993256, -0.330957),
    (0.8, 0.89591196134, 0.07333859778, -0.03109556546, 0.00031849905, 0.0897857565, -0.954693),
    (0.7, 0.81187959563, 0.10820371407, -0.01990948339, -0.01603888196, 0.1375879422, -1.810167),
    (0.5, 0.60899778104, 0.13783222386, 0.02756644477, -0.00984515885, 0.2329381374, -4.307686),
    (0.25, 0.31496235753, 0.09631319438, 0.04815659719, 0.02536820745, 0.3542801585, -10.034827),
    (0.1, 0.12711142843, 0.04180629260, 0.02441487488, 0.01673685063, 0.4303970192, -17.916308),
)

# Copper by temperature rise in K: R/R20 and loss of level in dB at constant voltage, from
# α20 = 0.00393 /K (IACS annealed copper, IEC 60028; NBS Handbook 100).
COPPER = (
    (10.0, 1.0393, 0.3348),
    (25.0, 1.0982, 0.8140),
    (50.0, 1.1965, 1.5583),
    (75.0, 1.2948, 2.2437),
    (100.0, 1.3930, 2.8790),
    (150.0, 1.5895, 4.0252),
    (200.0, 1.7860, 5.0376),
    (250.0, 1.9825, 5.9443),
)


@pytest.mark.parametrize(("drive", "soft", "hard"), WORKED)
def test_static_curve_has_the_worked_points(drive: float, soft: float, hard: float) -> None:
    at = np.array([drive])
    # The points are printed to 1e-6.
    assert drive - 0.75 * knee_shape_db(at, -20.0, 10.0)[0] == pytest.approx(soft, abs=1e-6)
    assert drive - 0.75 * knee_shape_db(at, -20.0, 0.0)[0] == pytest.approx(hard, abs=1e-6)


def test_fit_returns_the_curve_that_made_the_worked_points() -> None:
    drive, soft, hard = np.array(WORKED).T
    curve = fit_static_curve(drive, soft, sigma_db=np.full(len(drive), 0.01))
    # Exact points: what is left is the width of the last grid.
    assert curve.threshold_dbfs == pytest.approx(-20.0, abs=0.01)
    assert curve.ratio == pytest.approx(4.0, rel=0.002)
    assert curve.knee_db == pytest.approx(10.0, abs=0.05)
    curve = fit_static_curve(drive, hard, sigma_db=np.full(len(drive), 0.01))
    assert (curve.threshold_dbfs, curve.knee_db) == pytest.approx((-20.0, 0.0), abs=0.01)


def test_half_as_much_again_for_a_twentieth() -> None:
    """Common practice, no source: asked for 50 % more, it gives 5 % more."""
    assert ratio_of_steps(1.5, 1.05) == pytest.approx(8.310, abs=0.001)
    # A loudspeaker that does so from −20 dBFS on is given that ratio by the fit.
    steps = 20.0 * np.log10(1.5) * np.arange(-4, 5)
    output = np.where(steps <= 0.0, steps, 20.0 * np.log10(1.05) / (20.0 * np.log10(1.5)) * steps)
    curve = fit_static_curve(steps - 20.0, output - 20.0)
    assert f"{curve.ratio:.1f}" == "8.3"


@pytest.mark.parametrize("row", CLIPPED, ids=[f"r={row[0]}" for row in CLIPPED])
def test_clipped_sine_has_the_published_coefficients(row: tuple[float, ...]) -> None:
    r, b1, b3, b5, b7, thd, loss_db = row
    found = clipped_sine(r, order=4001)
    assert found[[0, 2, 4, 6]] == pytest.approx([b1, b3, b5, b7], abs=1e-10)
    # 2000 odd orders leave out some 1e-5 of the distortion.
    assert np.sqrt(np.sum(found[1:] ** 2)) / found[0] == pytest.approx(thd, rel=1e-4)
    assert 20.0 * np.log10(found[0]) == pytest.approx(loss_db, abs=1e-5)


def test_clipped_tone_has_the_coefficients_thd_at_each_step(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    """A whole staircase through a hard clip, THD over orders 2 to 10 at each step."""
    clip = 0.25
    row = (
        analysed(
            tmp_path,
            # A trace of noise: without it the recording itself would count as clipped.
            lambda x: 0.8 * np.clip(x, -clip, clip) + rng.normal(0.0, 2e-6, len(x)),
            frequencies_hz=[97],
            levels_dbfs=[-30, -20, *range(-12, 0, 1)],
            hold_s=0.4,
            rest_s=0.2,
            release_s=0.5,
        )
        .takes[0]
        .staircase[0]
    )
    amplitude = 10.0 ** (row.drive_dbfs / 20.0)
    made = clipped_sine(clip / amplitude, order=10)
    with np.errstate(divide="ignore"):
        truth_db = 20.0 * np.log10(np.sqrt(np.sum(made[1:] ** 2, axis=0)) / made[0])
    at_work = amplitude > clip
    assert np.sum(at_work) == 12  # the quietest of them by 0.04 dB
    # 97 Hz: some 240 odd orders lie below half the rate, what folds back is under −90 dB; the
    # issue asks for 0.02 dB.
    assert row.thd_db[at_work] == pytest.approx(truth_db[at_work], abs=0.02)
    assert row.gain_change_db == pytest.approx(20.0 * np.log10(made[0]), abs=0.005)
    assert row.limiter is not None
    assert row.limiter.kind == "clipping"
    assert row.limiter.threshold_dbfs == pytest.approx(20.0 * np.log10(clip), abs=0.05)


@pytest.mark.parametrize(("rise_k", "ratio", "loss_db"), COPPER)
def test_hot_copper_loses_what_the_handbook_says(
    rise_k: float, ratio: float, loss_db: float
) -> None:
    # Printed to four decimals.
    assert resistance_ratio(rise_k) == pytest.approx(ratio, abs=5e-5)
    assert thermal_loss_db(rise_k) == pytest.approx(loss_db, abs=5e-5)
    assert temperature_rise_k(thermal_loss_db(rise_k)) == pytest.approx(rise_k, rel=1e-9)


@pytest.mark.parametrize(("loss_db", "rise_k"), [(1, 31.05), (2, 65.88), (3, 104.97), (6, 253.25)])
def test_loss_tells_the_handbooks_temperature(loss_db: float, rise_k: float) -> None:
    assert temperature_rise_k(loss_db) == pytest.approx(rise_k, abs=0.005)


def test_a_warm_start_uses_the_secant_from_there() -> None:
    # R2/R1 = (T2 + 234.45)/(T1 + 234.45) for copper.
    assert resistance_ratio(60.0, from_c=40.0) == pytest.approx(334.45 / 274.45, rel=1e-4)
    assert COPPER_PER_K == 0.00393


def test_sine_fits_agree_with_scipys_least_squares(rng: np.random.Generator) -> None:
    """The same data, once by the standard's linear steps and once by a general minimiser."""
    rate_hz, count = 48000, 4800
    time = np.arange(count) / rate_hz
    data = 0.3 * np.cos(2 * np.pi * 441.37 * time + 0.7) + 0.02 + rng.normal(0.0, 0.01, count)

    def miss(p: np.ndarray, frequency_hz: float | None = None) -> np.ndarray:
        f = p[3] if frequency_hz is None else frequency_hz
        return (
            p[0] * np.cos(2 * np.pi * f * time) + p[1] * np.sin(2 * np.pi * f * time) + p[2] - data
        )

    three = fit_sine(data, frequency_hz=441.37, rate_hz=rate_hz)
    general = scipy.optimize.least_squares(lambda p: miss(p, 441.37), [0.1, 0.1, 0.0], xtol=1e-15)
    assert three.amplitude == pytest.approx(np.hypot(*general.x[:2]), rel=1e-8)
    assert three.offset == pytest.approx(general.x[2], abs=1e-9)
    four = fit_sine_and_frequency(data, near_hz=440.0, rate_hz=rate_hz)
    start = [0.2, -0.2, 0.0, 441.0]
    general = scipy.optimize.least_squares(
        miss, start, x_scale=[1.0, 1.0, 1.0, 0.1], xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    # Two different searches of the same valley meet to their stopping rules.
    assert four.frequency_hz == pytest.approx(general.x[3], abs=1e-5)
    assert four.amplitude == pytest.approx(np.hypot(*general.x[:2]), rel=1e-6)
    assert four.residual_rms == pytest.approx(np.sqrt(2.0 * general.cost / count), rel=1e-8)


def test_harmonic_fit_agrees_with_a_coherent_fft(rng: np.random.Generator) -> None:
    """An FFT over a whole number of periods needs no window, and gives the same amplitudes."""
    rate_hz, count, cycles = 48000, 4800, 37
    frequency_hz = cycles * rate_hz / count
    phase = 2 * np.pi * cycles * np.arange(count) / count
    data = sum(
        a * np.cos(n * phase + p)
        for n, a, p in ((1, 0.4, 0.2), (2, 0.01, 1.0), (3, 0.004, 2.0), (7, 1e-4, -1.0))
    )
    data = data + rng.normal(0.0, 1e-5, count)
    spectrum = 2.0 * np.abs(np.fft.rfft(data))[cycles * np.arange(1, 11)] / count
    fit = fit_harmonics(
        data[None, :], frequency_hz=frequency_hz, rate_hz=rate_hz, order=10, highest_hz=20000.0
    )
    # The drift term of the fit takes its own sliver of the noise, 1e-5/sqrt(4800) and less.
    assert np.abs(fit.harmonics[0]) == pytest.approx(spectrum, abs=3e-7)
