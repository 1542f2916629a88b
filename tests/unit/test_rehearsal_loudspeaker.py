"""Laws that the whole simulated loudspeaker keeps: linearity, limiter, heat, tweeter, modes."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from conftest import long

from distsweep.rehearsal import (
    Bell,
    Bench,
    Heating,
    Limiter,
    Loudspeaker,
    Resonance,
    demo_loudspeaker,
    measure,
)
from distsweep.rehearsal.amplifier import clip

RATE_HZ = 48000
BENCH = Bench(tail_s=0.0, pascal_per_fs=100.0, clips=False)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def tone(frequency_hz: float, drive_dbfs: float, seconds: float = 1.6) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return 10 ** (drive_dbfs / 20) * np.sin(2 * np.pi * frequency_hz * time_s)


def play(waveform: np.ndarray, loudspeaker: Loudspeaker, position: str = "axis") -> np.ndarray:
    return measure(
        waveform, rate_hz=RATE_HZ, loudspeaker=loudspeaker, bench=BENCH, position=position
    )


def lines_db(recorded: np.ndarray) -> np.ndarray:
    """Levels at whole hertz over a second, dB re 1 Pa RMS.

    The last twentieth is left out: a tone that is cut off rings before its end, as a delay between
    samples spreads the edge both ways.
    """
    settled = recorded[-RATE_HZ - RATE_HZ // 20 : -RATE_HZ // 20]
    spectrum = np.abs(np.fft.rfft(settled)) * 2 / RATE_HZ
    with np.errstate(divide="ignore"):
        return 20 * np.log10(spectrum * BENCH.pascal_per_fs)


def harmonics_db(
    frequency_hz: int, drive_dbfs: float, loudspeaker: Loudspeaker, orders: int = 5
) -> np.ndarray:
    levels = lines_db(play(tone(frequency_hz, drive_dbfs), loudspeaker))
    return levels[frequency_hz * np.arange(1, orders + 1)]


def lone_cone(loudspeaker: Loudspeaker) -> Loudspeaker:
    """With a port of no size, no leak, next to no tweeter, and the cone on the axis."""
    return replace(
        loudspeaker,
        woofer=replace(loudspeaker.woofer, below_axis_mm=0.0),
        box=replace(
            loudspeaker.box,
            port_diameter_mm=0.5,
            port_below_axis_mm=0.0,
            port_turbulence=0.0,
            leakage_q=1e9,
        ),
        tweeter=replace(loudspeaker.tweeter, sensitivity_pa_m_per_v=1e-12),
    )


def plain() -> Loudspeaker:
    """The demonstration's loudspeaker, linear and without modes."""
    return replace(demo_loudspeaker().linear(), resonances=())


@pytest.mark.parametrize("position", ["axis", "axis@30", "woofer", "port", "tweeter"])
def test_a_linear_loudspeaker_doubles_with_its_drive(
    position: str, rng: np.random.Generator
) -> None:
    waveform = 0.2 * rng.uniform(-1, 1, RATE_HZ)
    once = play(waveform, demo_loudspeaker().linear(), position)
    twice = play(2 * waveform, demo_loudspeaker().linear(), position)
    np.testing.assert_allclose(twice, 2 * once, atol=1e-13)


@pytest.mark.parametrize("frequency_hz", [40, 400, 4000])
def test_a_linear_loudspeaker_answers_a_sine_with_a_sine(frequency_hz: int) -> None:
    levels = harmonics_db(frequency_hz, -3.0, demo_loudspeaker().linear())
    assert np.max(levels[1:]) - levels[0] < -150


def test_harmonics_fall_with_the_drive_as_their_order_says() -> None:
    """While distortion is mild HD2 falls 1 dB and HD3 2 dB a dB; 0.3 dB is what is left of
    higher powers at −34 dBFS. The port's turbulence follows another law, and is off."""
    loudspeaker = demo_loudspeaker()
    loudspeaker = replace(loudspeaker, box=replace(loudspeaker.box, port_turbulence=0.0))
    low, high = (harmonics_db(100, drive, loudspeaker) for drive in (-44.0, -34.0))
    assert (high - high[0])[1] - (low - low[0])[1] == pytest.approx(10.0, abs=0.3)
    assert (high - high[0])[2] - (low - low[0])[2] == pytest.approx(20.0, abs=0.3)


@cache
def levels_of_two_tones(rate_hz: int) -> np.ndarray:
    """Levels of the first three orders of 90 Hz and of 5 kHz, played and recorded at a rate."""
    time_s = np.arange(round(1.4 * rate_hz)) / rate_hz
    waveform = 0.15 * np.sin(2 * np.pi * 90 * time_s) + 0.05 * np.sin(2 * np.pi * 5000 * time_s)
    recorded = measure(waveform, rate_hz=rate_hz, loudspeaker=demo_loudspeaker(), bench=BENCH)
    spectrum = np.abs(np.fft.rfft(recorded[-rate_hz:])) / rate_hz
    return 20 * np.log10(spectrum[[90, 180, 270, 5000, 10000, 15000]])


@pytest.mark.parametrize("rate_hz", [44100, long(88200), long(96000), 192000])
def test_the_same_sound_at_every_rate(rate_hz: int) -> None:
    """A tone's first three orders do not depend on the rate, nor on the grid of the woofer."""
    # Other rates place the limiter's control periods and the onset's edge a little differently.
    assert levels_of_two_tones(rate_hz) == pytest.approx(levels_of_two_tones(48000), abs=0.02)


@pytest.mark.parametrize("drive_dbfs", [long(-30), -17, -15, long(-13), -10, long(-6)])
@pytest.mark.parametrize("frequency_hz", [40, 300])
def test_the_limiter_follows_its_static_curve(frequency_hz: int, drive_dbfs: float) -> None:
    """Giannoulis, Massberg, Reiss (JAES 60(6), 2012), eq. 4, written out by its three cases.

    The detector takes crests at the woofer's feed; 0.05 dB is what its release lets go in between.
    """
    limiter = Limiter(threshold_dbfs=-14.0, ratio=8.0, knee_db=4.0)
    loudspeaker = plain()
    loudspeaker = replace(loudspeaker, crossover=replace(loudspeaker.crossover, low_cut_hz=0.0))
    free = harmonics_db(frequency_hz, drive_dbfs, loudspeaker)[0]
    held = harmonics_db(frequency_hz, drive_dbfs, replace(loudspeaker, limiter=limiter))[0]
    # The crossover takes a little off before the detector.
    level = drive_dbfs - 20 * np.log10(1 + (frequency_hz / 2000) ** 4)
    if level < -16:
        expected = 0.0
    elif level <= -12:
        expected = (1 / 8 - 1) * (level + 14 + 2) ** 2 / (2 * 4)
    else:
        expected = -14 + (level + 14) / 8 - level
    assert held - free == pytest.approx(expected, abs=0.05)


def test_the_limiter_takes_its_time() -> None:
    """After a step up, 63 % of the reduction stands after the attack; after a step down, 37 % of it
    is left after the release and the detector's hold."""
    limiter = Limiter(threshold_dbfs=-20.0, ratio=4.0, knee_db=0.0, attack_ms=20.0, release_ms=200)
    loudspeaker = plain()
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    loud = (time_s >= 1.0) & (time_s < 2.0)
    waveform = np.where(loud, 0.3, 0.03) * np.sin(2 * np.pi * 1000 * time_s)
    free, held = play(waveform, loudspeaker), play(waveform, replace(loudspeaker, limiter=limiter))
    periods = RATE_HZ // 1000
    gain_db = 20 * np.log10(
        np.abs(held).reshape(-1, periods).max(axis=1)
        / np.abs(free).reshape(-1, periods).max(axis=1)
    )
    full_db = gain_db[1900]
    # The sound needs 3 ms to the microphone; the control period and the tone's own add 2 ms.
    attack_ms = np.argmax(gain_db[1000:] < full_db * (1 - np.exp(-1))) - 3
    release_ms = np.argmax(gain_db[2010:] > full_db * np.exp(-1)) + 10 - 3
    assert attack_ms == pytest.approx(20, abs=3)
    assert release_ms == pytest.approx(200 + 25, abs=6)


def test_a_hot_coil_loses_what_its_resistance_says() -> None:
    """Steady state of one thermal mass: R rises by α·R_th·P. At 200 Hz the current is nearly
    e/(R + motion's share), so the level is compared with a woofer of the warm resistance."""
    heating = Heating(resistance_k_per_w=4.0, time_constant_s=0.25)
    loudspeaker = plain()
    woofer = loudspeaker.woofer
    frequency_hz, drive_dbfs = 200, -12.0
    volt = 10 ** (drive_dbfs / 20) * loudspeaker.volt_per_fs
    # Power from the coil's own impedance, solved as one equation at this frequency.
    s = 2j * np.pi * frequency_hz
    volume = loudspeaker.box.volume_l / 1000
    box_n_per_m = 1.293 * 273.15 / 293.15 * 343.2**2 * woofer.area_m2**2 / volume
    mechanic = s * woofer.mass_kg + woofer.mechanical_resistance_ns_per_m
    # Far above the tuning the port stands still and the box is a spring.
    mechanic += (woofer.stiffness_n_per_m + box_n_per_m) / s
    impedance = woofer.resistance_ohm + s * woofer.inductance_h
    impedance += woofer.force_factor_n_per_a**2 / mechanic
    rise_k = heating.resistance_k_per_w * woofer.resistance_ohm * abs(volt / impedance) ** 2
    warm_ohm = woofer.resistance_ohm * (1 + heating.coefficient_per_k * rise_k)
    warm = replace(loudspeaker, woofer=replace(woofer, resistance_ohm=warm_ohm))
    waveform = tone(frequency_hz, drive_dbfs, seconds=3.0)

    heated_db = lines_db(play(waveform, replace(loudspeaker, heating=heating)))[frequency_hz]
    warm_db = lines_db(play(waveform, warm))[frequency_hz]
    cold_db = lines_db(play(waveform, loudspeaker))[frequency_hz]
    assert cold_db - warm_db > 0.4
    # A tenth of the loss, as the neglected stiffness of the port's air is about that.
    assert heated_db == pytest.approx(warm_db, abs=0.1 * (cold_db - warm_db))


def test_the_tweeter_makes_the_products_it_is_told_to() -> None:
    loudspeaker = plain()
    tweeter = replace(
        loudspeaker.tweeter, resonance_hz=50.0, upper_hz=1e6, second_db=-40.0, third_db=-70.0
    )
    loudspeaker = replace(
        loudspeaker,
        tweeter=tweeter,
        crossover=replace(loudspeaker.crossover, frequency_hz=20.0),
    )
    levels = harmonics_db(5000, -30.0, loudspeaker, orders=3)
    over_db = levels[0] + 20 * np.log10(1 / 20e-6) - tweeter.reference_spl_db
    assert levels[1] - levels[0] == pytest.approx(-40 + over_db, abs=0.01)
    assert levels[2] - levels[0] == pytest.approx(-70 + 2 * over_db, abs=0.01)


def test_the_tweeter_folds_nothing_back() -> None:
    """Square and cube of 17 and 19.5 kHz reach 58.5 kHz: only true differences may be in the band.

    −140 dB leaves room for rounding in transforms of this length.
    """
    loudspeaker = demo_loudspeaker()
    loudspeaker = replace(
        loudspeaker.linear(),
        resonances=(),
        tweeter=replace(loudspeaker.tweeter, second_db=-30.0, third_db=-30.0),
    )
    waveform = tone(17000, -16.0) + tone(19500, -16.0)
    # Faded, as the edges of a tone so near half the rate ring across all of it.
    edge = 0.5 - 0.5 * np.cos(np.pi * np.arange(2000) / 2000)
    waveform[:2000] *= edge
    waveform[-2000:] *= edge[::-1]
    levels = lines_db(play(waveform, loudspeaker))
    true = {17000, 19500, 2500, 2 * 17000 - 19500, 2 * 19500 - 17000}
    others = np.array([f for f in range(100, 24000, 100) if f not in true])
    assert np.max(levels[others]) - levels[17000] < -140
    assert levels[2500] - levels[17000] > -60


def test_a_radiated_mode_lifts_all_that_lands_on_it() -> None:
    """The fundamental at its frequency, and the products of a half and a third of it alike."""
    mode = Resonance(900.0, q=30.0, kind="radiated", lift_db=7.0)
    loudspeaker = demo_loudspeaker()
    # Port and cone both on the axis, so that the mode and the cone arrive together.
    loudspeaker = lone_cone(replace(loudspeaker, resonances=()))
    with_mode = replace(loudspeaker, resonances=(mode,))
    for frequency_hz, order in ((900, 1), (450, 2), (300, 3)):
        without_db = harmonics_db(frequency_hz, -20.0, loudspeaker)[order - 1]
        lifted_db = harmonics_db(frequency_hz, -20.0, with_mode)[order - 1]
        assert lifted_db - without_db == pytest.approx(7.0, abs=0.01)
    # Ten half-widths away it is all but gone: |share/(1 + j·2QΔ)| is under 0.13.
    away_db = harmonics_db(1050, -20.0, with_mode)[0] - harmonics_db(1050, -20.0, loudspeaker)[0]
    assert abs(away_db) < 0.2


def test_an_excited_mode_shows_where_it_is_excited_and_nowhere_else() -> None:
    mode = Resonance(450.0, q=25.0, kind="excited", second_db=-35.0, third_db=-65.0, place="woofer")
    loudspeaker = lone_cone(plain())
    rattling = replace(loudspeaker, resonances=(mode,))
    levels = harmonics_db(450, -26.0, rattling)
    over_db = levels[0] + 20 * np.log10(1 / 20e-6) - 86.0
    assert levels[1] - levels[0] == pytest.approx(-35 + over_db, abs=0.05)
    assert levels[2] - levels[0] == pytest.approx(-65 + 2 * over_db, abs=0.05)
    # The cube also adds to the fundamental: 3·10^(−68/20), or 0.01 dB.
    half = harmonics_db(225, -26.0, rattling)
    assert np.max(half[1:]) - half[0] < -80


def test_an_excited_mode_makes_higher_harmonics_as_told() -> None:
    """At its reference level; the powers that make them add to the second and third, too, which
    is taken off there."""
    told = {"second_db": -40.0, "third_db": -44.0, "fourth_db": -55.0, "fifth_db": -60.0}
    loudspeaker = lone_cone(plain())
    alone_db = harmonics_db(450, -26.0, loudspeaker)[0]  # odd powers add to the fundamental
    reference_db = alone_db + 20 * np.log10(1 / 20e-6)
    mode = Resonance(
        450.0, q=25.0, kind="excited", reference_spl_db=reference_db, place="woofer", **told
    )
    rattling = replace(loudspeaker, resonances=(mode,))
    levels = harmonics_db(450, -26.0, rattling, orders=5)
    assert levels[1:5] - alone_db == pytest.approx(list(told.values()), abs=0.02)


def test_a_bell_of_the_equaliser_is_heard_at_its_frequency() -> None:
    loudspeaker = plain()
    crossover = replace(loudspeaker.crossover, equaliser=(Bell(500.0, q=2.0, gain_db=-3.0),))
    shaped = harmonics_db(500, -20.0, replace(loudspeaker, crossover=crossover))[0]
    assert shaped - harmonics_db(500, -20.0, loudspeaker)[0] == pytest.approx(-3.0, abs=0.001)


def test_a_clipping_amplifier_makes_the_harmonics_of_a_clipped_sine() -> None:
    """Fourier series of a sine clipped at c of its peak, third order, by numerical integration."""
    loudspeaker = replace(plain(), clip_v=20.0)
    crossover = replace(loudspeaker.crossover, low_cut_hz=0.0)
    loudspeaker = replace(loudspeaker, crossover=crossover)
    levels = harmonics_db(200, -3.0, loudspeaker, orders=3)
    response = [harmonics_db(f, -3.0, replace(loudspeaker, clip_v=np.inf))[0] for f in (200, 600)]
    # Take the crossover's small loss off what the product does not go through.
    response[1] += 20 * np.log10(1 + (600 / 2000) ** 4)
    response[0] += 20 * np.log10(1 + (200 / 2000) ** 4)
    angle = np.arange(100000) * 2 * np.pi / 100000
    feed = 10 ** (-3 / 20) * 30 * np.sqrt(2) / (1 + (200 / 2000) ** 4)
    series = np.abs(np.fft.rfft(np.clip(feed * np.sin(angle), -20, 20)))
    expected = 20 * np.log10(series[3] / series[1]) + response[1] - response[0]
    assert levels[2] - levels[0] == pytest.approx(expected, abs=0.02)


def test_clipping_folds_little_back() -> None:
    """30 dB less than clipping at the signal's own rate would; the docstring states −72 dB."""
    sine = tone(3700, 0.0, seconds=1.0)
    limit = 10 ** (-1 / 20)

    def folded_db(clipped: np.ndarray) -> float:
        lines = np.abs(np.fft.rfft(clipped)) * 2 / RATE_HZ
        lines[3700 * np.arange(1, 7)] = 0.0
        return 20 * np.log10(np.max(lines))

    plainly = folded_db(np.clip(sine, -limit, limit))
    assert folded_db(clip(sine, clip_v=limit)) < min(-70.0, plainly - 30.0)


def test_the_demonstration_is_loud_as_a_small_monitor() -> None:
    """From about 70 to about 100 dB SPL in mid-band for −40 to −10 dBFS; clean at 80 dB there, and
    in distress at low frequencies when driven hard."""
    loudspeaker = demo_loudspeaker()

    def spl_and_thd(frequency_hz: int, drive_dbfs: float) -> tuple[float, float]:
        levels = harmonics_db(frequency_hz, drive_dbfs, loudspeaker)
        thd = np.sqrt(np.sum(10 ** ((levels[1:] - levels[0]) / 10)))
        return levels[0] + 20 * np.log10(1 / 20e-6), 100 * thd

    assert spl_and_thd(600, -40)[0] == pytest.approx(70, abs=2)
    assert spl_and_thd(600, -10)[0] == pytest.approx(98, abs=2)
    spl, thd_percent = spl_and_thd(600, -30.4)
    assert spl == pytest.approx(80, abs=1)
    assert 0.05 < thd_percent < 0.25
    spl, thd_percent = spl_and_thd(80, -10)
    assert spl > 92
    assert thd_percent > 3
