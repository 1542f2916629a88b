"""The loudspeaker and bench of the demonstration. Maker and model are invented."""

from __future__ import annotations

from distsweep.rehearsal.air import Air
from distsweep.rehearsal.bench import Bench, Reflection
from distsweep.rehearsal.loudspeaker import (
    Box,
    Crossover,
    Heating,
    Limiter,
    Loudspeaker,
    Tweeter,
    Woofer,
)
from distsweep.rehearsal.resonances import Resonance

# Inner size of the cabinet: 6.5 litres, of which the drivers and the port take half a litre.
CABINET_MM = (150.0, 235.0, 185.0)  # width, height, depth


def _demo_woofer() -> Woofer:
    return Woofer(
        resistance_ohm=5.8,
        inductance_h=0.33e-3,
        force_factor_n_per_a=6.4,
        mass_kg=0.0085,
        stiffness_n_per_m=1250.0,
        mechanical_resistance_ns_per_m=0.7,
        area_m2=0.0085,
        # About 70 % left at 3.5 mm, with the coil set a little too far in.
        force_factor_curve=(0.015, -0.028, 0.0, 0.00025),
        # Twice as stiff at 4 mm, and stiffer inward than outward.
        stiffness_curve=(-0.03, 0.045, 0.0, 0.001),
        inductance_curve=(-0.28, 0.006, 0.005),
        # The flux grows with the current up to 6 A, more than the amplifier can send.
        inductance_current_curve=(-0.04, -0.012, 0.0, 0.0003),
        excursion_range_mm=7.0,
        below_axis_mm=110.0,
    )


def demo_loudspeaker() -> Loudspeaker:
    """The "Tarnbick 4" by "Brindlemoor": a small powered two-way monitor with a vented box.

    Every number is chosen to be typical of its kind, from memory, and none is any product's. Its
    faults: the port's pipe resonance and the cabinet's height mode radiate through the port, and
    something loose beside the woofer rattles at its own frequency.
    """
    air = Air(20.0)
    box = Box(volume_l=6.0, port_length_mm=141.0, port_diameter_mm=36.0)
    half_wave_hz = air.sound_speed_m_per_s / 2.0
    return Loudspeaker(
        maker="Brindlemoor",
        model="Tarnbick 4",
        woofer=_demo_woofer(),
        box=box,
        tweeter=Tweeter(
            sensitivity_pa_m_per_v=0.19,
            resonance_hz=800.0,
            resonance_q=0.7,
            upper_hz=30000.0,
            second_db=-56.0,
            third_db=-70.0,
        ),
        crossover=Crossover(
            frequency_hz=2000.0, low_cut_hz=52.0, low_cut_q=1.0, tweeter_delay_ms=0.1
        ),
        limiter=Limiter(threshold_dbfs=-14.0, ratio=8.0, knee_db=4.0),
        heating=Heating(resistance_k_per_w=3.0, time_constant_s=8.0),
        resonances=(
            # Half a wavelength in the port.
            Resonance(half_wave_hz / box.port_effective_length_m, q=30.0, lift_db=6.0),
            # Half a wavelength in the cabinet's height.
            Resonance(half_wave_hz / (CABINET_MM[1] / 1000.0), q=25.0, lift_db=4.5),
            Resonance(
                430.0, q=25.0, kind="excited", second_db=-40.0, third_db=-46.0, place="woofer"
            ),
        ),
        volt_per_fs=30.0,
        clip_v=28.0,
        # 96 dB below the clipping level, which is much, so that the room does not hide it all.
        hiss_uv=300.0,
    )


def demo_bench() -> Bench:
    """A quiet workshop: the loudspeaker on a stand, one reflection from the floor, a little hum."""
    return Bench(
        temperature_c=20.0,
        distance_m=1.0,
        near_field_mm=25.0,
        reflections=(Reflection(height_m=1.2, level_db=-8.0, loss_corner_hz=3000.0),),
        noise_spl_db=32.0,
        hum_spl_db=((50.0, 30.0), (100.0, 24.0), (150.0, 26.0), (250.0, 18.0)),
        # 134 dB SPL, chosen because the near fields reach 131 dB at the last rung.
        pascal_per_fs=100.0,
    )
