"""A population of random loudspeakers whose resonances are known, to score a search by.

Beside the resonances stand decoys: ripple of the crossover, boosts of an equaliser, combs of
reflections, mains lines. They bend curves as well, and none of them is a resonance of the box.
The equaliser may also take off what a radiated resonance lifts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.rehearsal.arrays import FloatArray
from distsweep.rehearsal.bench import Bench, Reflection
from distsweep.rehearsal.demo import demo_loudspeaker
from distsweep.rehearsal.loudspeaker import Bell, Box, Crossover, Loudspeaker, Tweeter, Woofer
from distsweep.rehearsal.measuring import measure
from distsweep.rehearsal.resonances import Place, Resonance
from distsweep.units import db_to_ratio, ratio_to_db, spl_db_to_pascal

# Chosen because the demonstration's loudspeaker, from which these vary, plays it cleanly.
REFERENCE_SPL_DB = 86.0

# Near what the cone gives at −10 dBFS, the highest drive.
LOUD_SPL_DB = 98.0

# Chosen because two modes of Q 8 closer than this cannot be told apart by anyone.
LEAST_RATIO = 2.0 ** (1.0 / 3.0)


@dataclass(frozen=True)
class Decoy:
    """Something that bends curves without being a resonance of the loudspeaker.

    Parameters
    ----------
    name
        "crossover ripple", "equaliser boost", "equaliser cut" (at a resonance), "reflection" or
        "hum".
    frequency_hz
        Of its middle; of the first notch for a reflection.
    level_db
        Gain of a boost or cut, level of a reflection re the direct sound, dB SPL of a mains line.
    """

    name: str
    frequency_hz: float
    level_db: float


@dataclass(frozen=True)
class RandomLoudspeaker:
    """A loudspeaker, the bench it stands on, and the truth about both.

    For an excited resonance `lift_db` is the level of the second harmonic it adds, re what the
    loudspeaker makes by itself there at 86 dB SPL. The two add with a phase that is left to the
    physics.
    """

    loudspeaker: Loudspeaker
    bench: Bench
    resonances: tuple[Resonance, ...]
    decoys: tuple[Decoy, ...]


def random_loudspeaker(generator: np.random.Generator) -> RandomLoudspeaker:
    """One of the population: a plausible two-way monitor with none to three resonances.

    Radiated resonances lie between 250 and 2500 Hz, excited ones between 150 and 1200 Hz, with Q
    from 8 to 60 and 4 to 15 dB of lift. Noise is 50 to 70 dB below 90 dB SPL. There is no limiter
    and no heating. It is meant for drives up to −10 dBFS. Seven of ten stand above a floor, half
    below a ceiling. Half of the excited resonances make a fourth and a fifth harmonic, too; one in
    seven of the radiated is taken off the response, wholly or in part, by the equaliser.
    """
    loudspeaker, decoys = _plain(generator)
    bench, more_decoys = _bench(generator)
    resonances: list[Resonance] = []
    for _ in range(int(generator.integers(0, 4))):
        mode = _resonance(generator, loudspeaker, [r.frequency_hz for r in resonances])
        if mode is not None:
            resonances.append(mode)
    if generator.uniform() < 0.5:
        ceiling = Reflection(
            height_m=generator.uniform(1.0, 2.0),
            level_db=generator.uniform(-12.0, -3.0),
            loss_corner_hz=_log_uniform(generator, 1500.0, 10000.0),
            overhead=True,
        )
        bench, decoy = _with_reflection(bench, ceiling)
        more_decoys.append(decoy)
    cuts = [bell for mode in resonances if (bell := _cut(generator, mode)) is not None]
    decoys += [Decoy("equaliser cut", bell.frequency_hz, bell.gain_db) for bell in cuts]
    crossover = loudspeaker.crossover
    crossover = replace(crossover, equaliser=(*crossover.equaliser, *cuts))
    return RandomLoudspeaker(
        replace(loudspeaker, resonances=tuple(resonances), crossover=crossover),
        bench,
        tuple(resonances),
        (*decoys, *more_decoys),
    )


def _log_uniform(generator: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(generator.uniform(np.log(low), np.log(high))))


def _woofer_and_box(generator: np.random.Generator, like: Loudspeaker) -> tuple[Woofer, Box]:
    """The given woofer and box with every parameter off by up to a quarter or so.

    The polynomials as a whole are milder or stronger: more would leave the range they hold for.
    """

    def about(value: float, spread: float = 1.2) -> float:
        return value * _log_uniform(generator, 1.0 / spread, spread)

    def curve(coefficients: tuple[float, ...], strength: float) -> tuple[float, ...]:
        return tuple(strength * coefficient for coefficient in coefficients)

    woofer, box = like.woofer, like.box
    strength = generator.uniform(0.3, 0.8)
    # Even and odd parts vary apart, and the coil may be off to either side.
    side = generator.uniform(-1.5, 1.5)
    odd = tuple(side if power % 2 == 0 else 1.0 for power in range(4))
    return replace(
        woofer,
        inductance_h=about(woofer.inductance_h),
        force_factor_n_per_a=about(woofer.force_factor_n_per_a, 1.1),
        mass_kg=about(woofer.mass_kg, 1.1),
        stiffness_n_per_m=about(woofer.stiffness_n_per_m),
        mechanical_resistance_ns_per_m=about(woofer.mechanical_resistance_ns_per_m, 1.5),
        area_m2=about(woofer.area_m2, 1.1),
        force_factor_curve=tuple(
            strength * c * s for c, s in zip(woofer.force_factor_curve, odd, strict=True)
        ),
        stiffness_curve=tuple(
            strength * c * s for c, s in zip(woofer.stiffness_curve, odd, strict=True)
        ),
        inductance_curve=curve(woofer.inductance_curve, generator.uniform(0.3, 1.2)),
        inductance_current_curve=curve(
            woofer.inductance_current_curve, generator.uniform(0.3, 1.0)
        ),
    ), replace(
        box,
        volume_l=about(box.volume_l),
        port_length_mm=about(box.port_length_mm),
        port_turbulence=generator.uniform(0.1, 1.0),
    )


def _plain(generator: np.random.Generator) -> tuple[Loudspeaker, list[Decoy]]:
    """A loudspeaker without resonances, and what its filters do that looks like one."""
    like = demo_loudspeaker()
    woofer, box = _woofer_and_box(generator, like)
    crossover_hz = _log_uniform(generator, 1600.0, 3200.0)
    bells, decoys = [], []
    for name, probability, low_hz, high_hz, low_q, high_q in (
        ("crossover ripple", 0.8, 0.6 * crossover_hz, 1.6 * crossover_hz, 1.0, 4.0),
        ("equaliser boost", 0.4, 200.0, 3000.0, 3.0, 12.0),
    ):
        if generator.uniform() < probability:
            gain_db = float(generator.choice((-1.0, 1.0)) * generator.uniform(1.0, 4.0))
            frequency_hz = _log_uniform(generator, low_hz, high_hz)
            bells.append(Bell(frequency_hz, _log_uniform(generator, low_q, high_q), gain_db))
            decoys.append(Decoy(name, frequency_hz, gain_db))
    crossover = Crossover(
        frequency_hz=crossover_hz,
        low_cut_hz=like.crossover.low_cut_hz,
        low_cut_q=like.crossover.low_cut_q,
        tweeter_delay_ms=generator.uniform(0.0, 0.2),
        equaliser=tuple(bells),
    )
    tweeter: Tweeter = replace(
        like.tweeter,
        second_db=generator.uniform(-65.0, -50.0),
        third_db=generator.uniform(-75.0, -60.0),
    )
    return replace(
        like,
        model="of a population",
        woofer=woofer,
        box=box,
        tweeter=tweeter,
        crossover=crossover,
        limiter=None,
        heating=None,
        resonances=(),
    ), decoys


def _bench(generator: np.random.Generator) -> tuple[Bench, list[Decoy]]:
    """A bench with noise, and perhaps a floor and hum."""
    decoys: list[Decoy] = []
    bench = Bench(
        noise_spl_db=90.0 - generator.uniform(50.0, 70.0),
        noise_corner_hz=_log_uniform(generator, 50.0, 500.0),
        pascal_per_fs=100.0,
    )
    if generator.uniform() < 0.7:
        floor = Reflection(
            height_m=generator.uniform(0.5, 1.5),
            level_db=generator.uniform(-12.0, -3.0),
            loss_corner_hz=_log_uniform(generator, 1500.0, 10000.0),
        )
        bench, decoy = _with_reflection(bench, floor)
        decoys.append(decoy)
    if generator.uniform() < 0.7:
        mains_hz = float(generator.choice((50.0, 60.0)))
        hum = tuple((mains_hz * n, generator.uniform(15.0, 40.0)) for n in (1, 2, 3, 5))
        decoys += [Decoy("hum", frequency_hz, level_db) for frequency_hz, level_db in hum]
        bench = replace(bench, hum_spl_db=hum)
    return bench, decoys


def _with_reflection(bench: Bench, surface: Reflection) -> tuple[Bench, Decoy]:
    mirrored_m = float(np.hypot(bench.distance_m, 2.0 * surface.height_m))
    notch_hz = bench.air.sound_speed_m_per_s / (2.0 * (mirrored_m - bench.distance_m))
    level_db = surface.level_db + float(ratio_to_db(bench.distance_m / mirrored_m))
    bench = replace(bench, reflections=(*bench.reflections, surface))
    return bench, Decoy("reflection", notch_hz, level_db)


def _resonance(
    generator: np.random.Generator, loudspeaker: Loudspeaker, taken_hz: list[float]
) -> Resonance | None:
    """A resonance clear of those already there; None if a few draws find no place."""
    excited = generator.uniform() < 0.4
    for _ in range(10):
        low_hz, high_hz = (150.0, 1200.0) if excited else (250.0, 2500.0)
        frequency_hz = _log_uniform(generator, low_hz, high_hz)
        if all(abs(np.log(frequency_hz / f)) > np.log(LEAST_RATIO) for f in taken_hz):
            break
    else:
        return None
    q, lift_db = _log_uniform(generator, 8.0, 60.0), generator.uniform(4.0, 15.0)
    if not excited:
        place: Place = "port" if generator.uniform() < 0.7 else "woofer"
        return Resonance(frequency_hz, q, kind="radiated", lift_db=lift_db, place=place)
    second_db = own_second_db(loudspeaker, frequency_hz) + lift_db
    third_db = second_db - generator.uniform(3.0, 10.0)
    fourth_db = fifth_db = -np.inf
    if generator.uniform() < 0.5:
        # They grow by 2 dB per dB more than the second and third; harsh at the loudest only.
        later_db = 2.0 * (LOUD_SPL_DB - REFERENCE_SPL_DB)
        fourth_db = second_db - later_db - generator.uniform(8.0, 20.0)
        fifth_db = third_db - later_db - generator.uniform(8.0, 20.0)
    return Resonance(
        frequency_hz,
        q,
        kind="excited",
        lift_db=lift_db,
        second_db=second_db,
        third_db=third_db,
        fourth_db=fourth_db,
        fifth_db=fifth_db,
        reference_spl_db=REFERENCE_SPL_DB,
        place="woofer",
    )


def _cut(generator: np.random.Generator, mode: Resonance) -> Bell | None:
    """A bell that takes a radiated mode off the response, as a designer may; mostly None.

    1 + s·B, B being a band-pass of quality factor Q, is undone by 1 − s/(1 + s)·B', whose Q is
    1 + s times less: here not quite, and often in part.
    """
    if mode.kind != "radiated" or generator.uniform() >= 1.0 / 7.0:
        return None
    cut_db = mode.lift_db * generator.uniform(0.3, 1.0)
    q = mode.q / float(db_to_ratio(cut_db)) * _log_uniform(generator, 0.8, 1.25)
    frequency_hz = mode.frequency_hz * _log_uniform(generator, 0.995, 1.005)
    return Bell(frequency_hz, q, -cut_db)


def own_second_db(loudspeaker: Loudspeaker, frequency_hz: float) -> float:
    """Second harmonic of a loudspeaker at 86 dB SPL and 1 m, dB re the fundamental.

    A tone is played in a free field and compared with a sine of its own frequency and of twice
    that, over a stretch that holds whole periods to a thousandth.
    """
    rate_hz, seconds = 48000, 0.6
    bench = Bench(tail_s=0.0, pascal_per_fs=100.0, clips=False)
    periods = int(0.3 * frequency_hz)
    angle = 2.0 * np.pi * frequency_hz * np.arange(round(seconds * rate_hz)) / rate_hz
    kept = slice(round(0.25 * rate_hz), round(0.25 * rate_hz + periods * rate_hz / frequency_hz))

    def lines_fs(drive: float, speaker: Loudspeaker) -> FloatArray:
        recorded = measure(
            drive * np.sin(angle), rate_hz=rate_hz, loudspeaker=speaker, bench=bench
        )[kept]
        window = np.hanning(recorded.size)
        return np.array(
            [
                abs(2.0 * np.sum(window * recorded * np.exp(-1j * order * angle[kept])))
                for order in (1, 2)
            ]
        ) / np.sum(window)

    trial = 0.01
    wanted_fs = float(spl_db_to_pascal(REFERENCE_SPL_DB)) / bench.pascal_per_fs
    drive = min(0.3, trial * wanted_fs / lines_fs(trial, loudspeaker.linear())[0])
    fundamental, second = lines_fs(drive, loudspeaker)
    return float(ratio_to_db(second / fundamental))
