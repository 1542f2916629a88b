"""The simulated room, microphone and recorder."""

from __future__ import annotations

import ast
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import distsweep.rehearsal
from distsweep.rehearsal import Bench, Reflection, demo_bench, demo_loudspeaker, measure
from distsweep.rehearsal.recorder import sample_at

RATE_HZ = 48000
FREE = Bench(tail_s=0.5, pascal_per_fs=100.0)
SPEED = 331.3 * np.sqrt(293.15 / 273.15)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def play(waveform, bench, *, position="axis", rate_hz=RATE_HZ, seed=0, loudspeaker=None):
    return measure(
        waveform,
        rate_hz=rate_hz,
        loudspeaker=loudspeaker or demo_loudspeaker().linear(),
        bench=bench,
        position=position,
        seed=seed,
    )


def tweeter_only():
    """A loudspeaker whose woofer is next to silent above 1 kHz."""
    loudspeaker = demo_loudspeaker().linear()
    return replace(
        loudspeaker, resonances=(), crossover=replace(loudspeaker.crossover, frequency_hz=100.0)
    )


def impulse(seconds: float = 0.5) -> np.ndarray:
    waveform = np.zeros(round(seconds * RATE_HZ))
    waveform[100] = 0.5
    return waveform


@pytest.mark.parametrize("overhead", [False, True])
def test_a_reflection_is_later_and_weaker_by_its_longer_way(overhead: bool) -> None:
    """What it adds is the direct sound times g·(d/d′)·e^(−jωτ): both read off the spectra."""
    floor = Reflection(height_m=0.9, level_db=-5.0, loss_corner_hz=1e9, overhead=overhead)
    alone = play(impulse(), FREE, loudspeaker=tweeter_only())
    both = play(impulse(), replace(FREE, reflections=(floor,)), loudspeaker=tweeter_only())
    frequency_hz = np.fft.rfftfreq(alone.size, 1 / RATE_HZ)
    band = (frequency_hz > 3000) & (frequency_hz < 15000)
    ratio = (np.fft.rfft(both - alone) / np.fft.rfft(alone))[band]
    mirrored_m = np.hypot(1.0, 2 * 0.9)
    level = 10 ** (-5 / 20) / mirrored_m
    delay_s = (mirrored_m - 1.0) / SPEED
    expected = level * np.exp(-2j * np.pi * frequency_hz[band] * delay_s)
    np.testing.assert_allclose(ratio, expected, atol=1e-3 * level)


@pytest.mark.parametrize(
    ("distance_m", "temperature_c"), [(1.0, 20.0), (2.0, 20.0), (1.0, 5.0)], ids=str
)
def test_sound_takes_its_time_and_weakens_with_distance(
    distance_m: float, temperature_c: float
) -> None:
    bench = replace(FREE, distance_m=distance_m, temperature_c=temperature_c)
    near = play(impulse(), replace(bench, distance_m=0.5), loudspeaker=tweeter_only())
    far = play(impulse(), bench, loudspeaker=tweeter_only())
    frequency_hz = np.fft.rfftfreq(near.size, 1 / RATE_HZ)
    band = (frequency_hz > 3000) & (frequency_hz < 15000)
    ratio = (np.fft.rfft(far) / np.fft.rfft(near))[band]
    speed = 331.3 * np.sqrt(1 + temperature_c / 273.15)
    delay_s = (distance_m - 0.5) / speed
    expected = 0.5 / distance_m * np.exp(-2j * np.pi * frequency_hz[band] * delay_s)
    np.testing.assert_allclose(ratio, expected, atol=2e-3)


def test_near_field_is_a_piston_s_on_its_axis() -> None:
    """Numerical Rayleigh integral over the cone, by rings, at a low frequency."""
    loudspeaker = demo_loudspeaker().linear()
    # A port of no size and next to no tweeter leave the cone alone.
    loudspeaker = replace(
        loudspeaker,
        resonances=(),
        box=replace(loudspeaker.box, port_diameter_mm=0.5, leakage_q=1e9),
        woofer=replace(loudspeaker.woofer, below_axis_mm=0.0),
    )
    tone = 0.01 * np.sin(2 * np.pi * 150 * np.arange(RATE_HZ) / RATE_HZ)
    levels = [
        np.abs(np.fft.rfft(play(tone, FREE, position=where, loudspeaker=loudspeaker)[:RATE_HZ]))[
            150
        ]
        for where in ("woofer", "axis")
    ]
    radius = np.sqrt(loudspeaker.woofer.area_m2 / np.pi)
    ring = (np.arange(20000) + 0.5) / 20000 * radius

    def integral(distance_m: float) -> float:
        way = np.hypot(ring, distance_m)
        return abs(np.sum(ring / way * np.exp(-2j * np.pi * 150 / SPEED * way)))

    # 0.5 %: the simulation lets all parts of the cone arrive at once, which they nearly do.
    assert levels[0] / levels[1] == pytest.approx(integral(0.015) / integral(1.0), rel=5e-3)


def test_every_near_field_hears_its_own_source_best() -> None:
    def level(frequency_hz: int, position: str) -> float:
        waveform = 0.01 * np.sin(2 * np.pi * frequency_hz * np.arange(RATE_HZ) / RATE_HZ)
        return np.abs(np.fft.rfft(play(waveform, FREE, position=position)[:RATE_HZ]))[frequency_hz]

    assert level(6000, "tweeter") > 5 * max(level(6000, p) for p in ("woofer", "port", "axis"))
    # The tweeter's microphone is 110 mm from the cone, its own sounds as if it were at 35 mm.
    assert level(200, "woofer") > 3 * max(level(200, p) for p in ("tweeter", "axis"))
    # At the tuning the cone stands nearly still: its microphone hears the port, 80 mm away, which
    # by itself sounds as if it were at 19 mm.
    assert level(55, "port") > 3 * level(55, "woofer")


def test_an_angle_takes_the_treble_down_like_a_piston() -> None:
    """First zero of J₁ at k·r·sin θ = 3.8317 (Abramowitz, Stegun, table 9.5)."""
    loudspeaker = tweeter_only()
    loudspeaker = replace(loudspeaker, tweeter=replace(loudspeaker.tweeter, radius_mm=25.0))
    zero_hz = round(3.8317 * SPEED / (2 * np.pi * 0.025 * np.sin(np.deg2rad(60.0))))

    def level(frequency_hz: int, position: str) -> float:
        waveform = 0.1 * np.sin(2 * np.pi * frequency_hz * np.arange(RATE_HZ) / RATE_HZ)
        recorded = play(waveform, FREE, position=position, loudspeaker=loudspeaker)
        return np.abs(np.fft.rfft(recorded[:RATE_HZ]))[frequency_hz]

    assert level(zero_hz, "axis@60") < 0.01 * level(zero_hz, "axis")
    assert level(400, "axis@60") == pytest.approx(level(400, "axis"), rel=0.01)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_noise_has_the_level_stated(rate_hz: int) -> None:
    """Power between 20 Hz and 20 kHz by Parseval; ten seconds hold it to 0.05 dB or so."""
    bench = replace(FREE, noise_spl_db=34.0, pascal_per_fs=1.0, noise_corner_hz=500.0)
    recorded = play(np.zeros(10 * rate_hz), bench, rate_hz=rate_hz)
    power = 2 * np.abs(np.fft.rfft(recorded * np.sqrt(2)) / recorded.size) ** 2
    frequency_hz = np.fft.rfftfreq(recorded.size, 1 / rate_hz)
    band = (frequency_hz >= 20) & (frequency_hz <= 20000)
    spl_db = 10 * np.log10(np.sum(power[band]) / (20e-6) ** 2)
    assert spl_db == pytest.approx(34.0, abs=0.2)

    def density_db(low_hz: float, high_hz: float) -> float:
        chosen = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        return 10 * np.log10(np.mean(power[chosen]))

    # Density 1 + f_c/f: 11 at a tenth of the corner, 1.05 far above.
    assert density_db(45, 55) - density_db(5000, 15000) == pytest.approx(
        10 * np.log10(11 / 1.055), abs=1.0
    )


def test_hum_stands_at_its_lines_and_levels() -> None:
    bench = replace(FREE, hum_spl_db=((50.0, 40.0), (150.0, 33.0)), tail_s=0.0)
    recorded = play(np.zeros(2 * RATE_HZ), bench)
    lines = np.abs(np.fft.rfft(recorded)) * 2 / recorded.size * 100.0 / 20e-6
    assert 20 * np.log10(lines[100]) == pytest.approx(40.0, abs=1e-6)
    assert 20 * np.log10(lines[300]) == pytest.approx(33.0, abs=1e-6)
    lines[[100, 300]] = 0.0
    assert np.max(lines) < 1e-6


def test_full_scale_is_the_pressure_stated(rng: np.random.Generator) -> None:
    waveform = 0.1 * rng.uniform(-1, 1, 4800)
    one = play(waveform, replace(FREE, pascal_per_fs=10.0))
    other = play(waveform, replace(FREE, pascal_per_fs=40.0))
    np.testing.assert_allclose(one, 4 * other, atol=1e-15)


def test_the_interface_clips_only_if_told_to() -> None:
    waveform = 0.1 * np.sin(2 * np.pi * 500 * np.arange(4800) / RATE_HZ)
    assert np.max(play(waveform, replace(FREE, pascal_per_fs=0.1))) == 1.0
    assert np.max(play(waveform, replace(FREE, pascal_per_fs=0.1, clips=False))) > 2.0


def test_sampling_between_samples_sums_the_fourier_series(rng: np.random.Generator) -> None:
    for count in (60, 61):
        signal = rng.standard_normal(count)
        spectrum = np.fft.rfft(signal)
        step, points = 0.98765, 45
        harmonic = np.arange(spectrum.size)
        weight = np.where((harmonic == 0) | (2 * harmonic == count), 1.0, 2.0)
        expected = [
            np.sum(weight * (spectrum * np.exp(2j * np.pi * harmonic * n * step / count)).real)
            / count
            for n in range(points)
        ]
        found = sample_at(spectrum, count=count, step=step, points=points)
        np.testing.assert_allclose(found, expected, atol=1e-12)


@pytest.mark.parametrize("offset_ppm", [-80.0, 45.0])
def test_a_recorder_s_clock_moves_every_frequency(offset_ppm: float) -> None:
    """A fast recorder takes more samples of the same sound, and so hears a lower pitch."""
    seconds = 4
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    tone = 0.1 * np.sin(2 * np.pi * 5000 * time_s)
    recorded = play(tone, replace(FREE, clock_offset_ppm=offset_ppm))
    speed = 1 + offset_ppm * 1e-6
    assert recorded.size == round((seconds + 0.5) * RATE_HZ * speed)
    middle = recorded[RATE_HZ : 3 * RATE_HZ]
    turns = np.arange(middle.size) * 5000 / speed / RATE_HZ
    fit, *_ = np.linalg.lstsq(
        np.column_stack((np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns))), middle, rcond=None
    )
    rest = middle - fit[0] * np.cos(2 * np.pi * turns) - fit[1] * np.sin(2 * np.pi * turns)
    # −100 dB: what is left of the tone's onset a second before.
    assert np.max(np.abs(rest)) < 1e-5 * np.hypot(*fit)


def test_a_recording_starts_early_or_late() -> None:
    waveform = impulse()
    plain = play(waveform, FREE)
    early = play(waveform, replace(FREE, starts_early_s=0.25))
    late = play(waveform, replace(FREE, starts_early_s=-0.001))
    assert early.size == plain.size + 12000
    np.testing.assert_array_equal(early[12000:], plain)
    np.testing.assert_array_equal(late, plain[48:])
    with pytest.raises(ValueError, match="starts_early_s"):
        play(waveform, replace(FREE, starts_early_s=-2.0))


def test_the_seed_decides_the_noise_and_nothing_else() -> None:
    tone = 0.05 * np.sin(2 * np.pi * 300 * np.arange(9600) / RATE_HZ)
    same = [play(tone, demo_bench(), seed=3) for _ in range(2)]
    other = play(tone, demo_bench(), seed=4)
    np.testing.assert_array_equal(*same)
    assert not np.array_equal(same[0], other)
    quiet = replace(demo_bench(), noise_spl_db=-np.inf, hum_spl_db=())
    np.testing.assert_array_equal(play(tone, quiet, seed=3), play(tone, quiet, seed=4))


@pytest.mark.parametrize(
    ("waveform", "arguments", "error", "text"),
    [
        (np.zeros((10, 2)), {}, ValueError, "one channel"),
        (np.zeros(0), {}, ValueError, "not empty"),
        (np.array([0.0, np.nan]), {}, ValueError, "not finite"),
        (np.array([0.0, 1.5]), {}, ValueError, "beyond full scale"),
        (np.array(["a"]), {}, TypeError, "real numbers"),
        (np.zeros(10), {"position": "roof"}, ValueError, "position is 'roof'"),
        (np.zeros(10), {"position": "axis@120"}, ValueError, "90 degrees"),
        (np.zeros(10), {"rate_hz": 4000}, ValueError, "at least 8000"),
    ],
    ids=["2d", "empty", "nan", "loud", "text", "position", "angle", "rate"],
)
def test_what_cannot_be_played_is_refused(waveform, arguments, error, text) -> None:
    with pytest.raises(error, match=text):
        play(waveform, FREE, **arguments)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"distance_m": 0.0}, "distance_m"),
        ({"tail_s": -1.0}, "tail_s"),
        ({"clock_offset_ppm": 1e4}, "crystal"),
        ({"pascal_per_fs": -1.0}, "pascal_per_fs"),
    ],
    ids=str,
)
def test_a_bench_that_cannot_be_is_refused(change, text) -> None:
    with pytest.raises(ValueError, match=text):
        replace(FREE, **change)


def test_the_room_shares_nothing_with_the_analysis() -> None:
    """Only units and errors of the house, and of packages only numpy and scipy."""
    allowed = ("distsweep.rehearsal", "distsweep.units", "distsweep.errors", "numpy", "scipy")
    for path in Path(distsweep.rehearsal.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                assert node.level == 0
                names = [node.module or ""]
            for name in names:
                standard = name.split(".")[0] in sys.stdlib_module_names
                assert standard or name.startswith(allowed), f"{path.name} imports {name}"


def test_importing_the_room_loads_no_scipy() -> None:
    code = "import sys, distsweep.rehearsal; print([m for m in sys.modules if m == 'scipy'])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
