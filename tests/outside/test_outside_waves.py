"""THD of ideal waves: what textbooks say a square, a triangle and a sawtooth have.

A sine that a memoryless map turns into such a wave has the wave's Fourier coefficients at
every frequency. The sweep's analogue is Σ cₙ·sin(n·φ(t)), kept below half the rate.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from whole_path import PlayedLadder, analysed, harmonic_series, level_db, write_ladder

import distsweep

# THD re the fundamental of all harmonics: sqrt(π²/8 − 1), sqrt(π⁴/96 − 1), sqrt(π²/6 − 1).
# Blagouchine, Moreau: IEEE Trans. Commun. 59(9), 2478–2491, 2011 (cited by a secondary page).
CLOSED_FORM_THD = {
    "square": np.sqrt(np.pi**2 / 8.0 - 1.0),
    "triangle": np.sqrt(np.pi**4 / 96.0 - 1.0),
    "sawtooth": np.sqrt(np.pi**2 / 6.0 - 1.0),
}

# The same, summed to order N only: a table derived from the series, to nine decimals.
TRUNCATED_THD = {
    # N: square, triangle, sawtooth
    3: (0.333333333, 0.111111111, 0.600925213),
    5: (0.388730126, 0.118091824, 0.680889941),
    7: (0.414148855, 0.119842280, 0.715399925),
    9: (0.428794768, 0.120476504, 0.734688867),
    11: (0.438325696, 0.120759634, 0.747015525),
    15: (0.449990023, 0.120986177, 0.761866316),
}
WAVES = ("square", "triangle", "sawtooth")

# Sawtooth through a two-pole Butterworth low-pass, all harmonics, μ = f/corner: equations (33)
# and (34) of Blagouchine and Moreau; the value at μ = 1 is OEIS A300727, 0.18114161379382….
FILTERED_SAWTOOTH_THD = {0.5: 0.397361227047, 1.0: 0.181141613794, 2.0: 0.135503544497}

ORDER = 15
LEVEL_DBFS = -12.0

# Half an octave above the band's lower end the method's own error has fallen below this; a
# wrong count of orders moves THD by 0.02 dB (triangle, 13 to 15) or more.
TOLERANCE_DB = 0.002
# At the lower end itself a sweep of 3 s holds 17 periods for each factor e: 0.005 dB there.
EDGE_TOLERANCE_DB = 0.01
EDGE_BELOW_HZ = 57.0


def coefficients(wave: str) -> np.ndarray:
    n = np.arange(1, 600, dtype=float)
    odd = n % 2 == 1
    return {
        "square": np.where(odd, 1.0 / n, 0.0),
        "triangle": np.where(odd, (-1.0) ** ((n - 1) // 2) / n**2, 0.0),
        "sawtooth": 1.0 / n,
    }[wave]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> PlayedLadder:
    return write_ladder(tmp_path_factory.mktemp("waves"), levels_dbfs=[LEVEL_DBFS], order=ORDER)


@pytest.fixture(scope="module", params=WAVES)
def wave(request: pytest.FixtureRequest) -> str:
    return request.param


@pytest.fixture(scope="module")
def take(wave: str, played: PlayedLadder) -> distsweep.Take:
    amplitude = 10.0 ** (LEVEL_DBFS / 20.0)
    rung = amplitude * harmonic_series(played, coefficients(wave))
    return analysed(played, played.with_rungs([rung]))


def test_truncated_table_follows_from_the_series(wave: str) -> None:
    # The table was copied: a slip of the pen would otherwise look like a fault of the package.
    c = coefficients(wave)
    column = WAVES.index(wave)
    for order, row in TRUNCATED_THD.items():
        summed = np.sqrt(np.sum((c[1:order] / c[0]) ** 2))
        assert summed == pytest.approx(row[column], abs=6e-10)  # nine decimals are printed
    tail = CLOSED_FORM_THD[wave] ** 2 - np.sum((c[1:] / c[0]) ** 2)
    assert 0.0 < tail < 2.0 / 600.0  # Σ 1/n² beyond n = 599 is below 1/599


@pytest.mark.parametrize("order", TRUNCATED_THD)
def test_thd_of_an_ideal_wave(take: distsweep.Take, wave: str, order: int) -> None:
    rung = take.rungs[0]
    here = rung.orders_summed == order - 1  # orders 2…N are N − 1 of them
    assert np.count_nonzero(here) >= 5
    expected = TRUNCATED_THD[order][WAVES.index(wave)]
    error_db = np.abs(rung.thd_db[here] - level_db(expected))
    edge = take.frequency_hz[here] < EDGE_BELOW_HZ
    assert np.max(error_db[~edge]) < TOLERANCE_DB
    assert np.max(error_db[edge], initial=0.0) < EDGE_TOLERANCE_DB
    relative = rung.thd_percent[here][~edge] / 100.0 / expected
    assert relative == pytest.approx(np.ones(len(relative)), rel=TOLERANCE_DB / 8.0)


@pytest.mark.parametrize("order", TRUNCATED_THD)
def test_thd_re_total_of_an_ideal_wave(take: distsweep.Take, wave: str, order: int) -> None:
    # Re total RMS: THD_R = THD_F/sqrt(1 + THD_F²). That IEC 60268-3 means this one is from memory.
    rung = take.rungs[0]
    here = (rung.orders_summed == order - 1) & (take.frequency_hz >= EDGE_BELOW_HZ)
    thd = TRUNCATED_THD[order][WAVES.index(wave)]
    expected_percent = 100.0 * thd / np.sqrt(1.0 + thd**2)
    assert rung.thd_re_total_percent[here] == pytest.approx(
        np.full(np.count_nonzero(here), expected_percent),
        rel=TOLERANCE_DB / 8.0,  # 8.7 dB is a factor of e
    )


def test_each_harmonic_of_an_ideal_wave(take: distsweep.Take, wave: str) -> None:
    c = coefficients(wave)
    middle = (take.frequency_hz >= EDGE_BELOW_HZ) & (take.frequency_hz <= 1000.0)
    for n in range(2, ORDER + 1):
        level = take.rungs[0].harmonics[n].level_db[middle]
        if c[n - 1] == 0.0:
            # The even orders of a square stand between odd ones of −10 to −25 dB, and the
            # windows keep those out by 100 dB and more (−122 dB measured at worst).
            assert np.nanmax(level, initial=-np.inf) < -110.0, n
        else:
            assert np.max(np.abs(level - level_db(c[n - 1] / c[0]))) < TOLERANCE_DB, n


def test_filtered_sawtooth(played: PlayedLadder) -> None:
    corner_hz = 500.0
    wave = np.zeros(played.rung_samples)
    series = harmonic_series(played, coefficients("sawtooth"))
    wave[: len(series)] = 0.25 * series
    spectrum = scipy.fft.rfft(wave)
    s = 1j * scipy.fft.rfftfreq(len(wave), 1.0 / played.rate_hz) / corner_hz
    filtered = scipy.fft.irfft(spectrum / (s**2 + np.sqrt(2.0) * s + 1.0), len(wave))
    take = analysed(played, played.with_rungs([filtered]))
    for mu, thd in FILTERED_SAWTOOTH_THD.items():
        measured_db = np.interp(
            np.log(mu * corner_hz), np.log(take.frequency_hz), take.rungs[0].thd_db
        )
        # Orders above 15, which the sum lacks, are worth up to 1e-4 dB here, and so is the straight
        # line between two grid points 1/48 octave apart.
        assert measured_db == pytest.approx(level_db(thd), abs=0.001), mu


@pytest.mark.parametrize(
    ("re_fundamental", "re_total", "re_total_db"),
    [
        (0.01, 0.009999500, -40.000434),
        (0.03, 0.029986509, -30.461482),
        (0.1, 0.099503719, -20.043214),
        (0.3, 0.287347886, -10.831840),
        (1.0, 0.707106781, -3.010300),
    ],
)
def test_two_definitions_of_thd(
    re_fundamental: float, re_total: float, re_total_db: float, played: PlayedLadder
) -> None:
    # Both definitions: Modelica Standard Library, Blocks.Math.TotalHarmonicDistortion; the
    # table follows from them. One harmonic alone is the whole THD.
    rung = 0.25 * harmonic_series(played, [1.0, re_fundamental])
    take = analysed(played, played.with_rungs([rung]))
    here = (take.rungs[0].orders_summed >= 1) & (take.frequency_hz >= EDGE_BELOW_HZ)
    thd_db = take.rungs[0].thd_db[here]
    re_total_measured_db = level_db(take.rungs[0].thd_re_total_percent[here] / 100.0)
    assert np.max(np.abs(thd_db - level_db(re_fundamental))) < TOLERANCE_DB
    assert np.max(np.abs(re_total_measured_db - re_total_db)) < TOLERANCE_DB
    assert level_db(re_total) == pytest.approx(re_total_db, abs=1e-5)  # as printed


def test_worked_example_of_both_definitions(played: PlayedLadder) -> None:
    # Harmonics of 3 %, 1 % and 0.5 %: THD 3.2015621 % re the fundamental (−29.8928 dB) and
    # 3.1999226 % re total RMS. Derived from the definitions.
    rung = 0.25 * harmonic_series(played, [1.0, 0.03, 0.01, 0.005])
    take = analysed(played, played.with_rungs([rung]))
    here = (take.rungs[0].orders_summed >= 3) & (take.frequency_hz >= EDGE_BELOW_HZ)
    for percent, expected in (
        (take.rungs[0].thd_percent, 3.2015621),
        (take.rungs[0].thd_re_total_percent, 3.1999226),
    ):
        # 0.0005 lies well under the 0.0016 by which the two definitions differ.
        assert np.max(np.abs(percent[here] - expected)) < 0.0005
