"""What woofer, port and tweeter each radiate for a waveform at the line input."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.rehearsal import amplifier, thermal, tweeter, woofer
from distsweep.rehearsal.air import Air
from distsweep.rehearsal.arrays import (
    ComplexArray,
    FloatArray,
    fast_length,
    frequencies_hz,
    resample_spectrum,
)
from distsweep.rehearsal.loudspeaker import Loudspeaker
from distsweep.rehearsal.resonances import Resonance, excited_products, radiated_addition


@dataclass(frozen=True)
class Radiation:
    """Spectra of sound pressure times distance, Pa·m, of the three that radiate.

    Each is [shape=(count//2+1,)], the real transform of `count` samples.
    """

    woofer_pa_m: ComplexArray
    port_pa_m: ComplexArray
    tweeter_pa_m: ComplexArray
    count: int


def radiate(
    loudspeaker: Loudspeaker, waveform: FloatArray, *, rate_hz: float, air: Air, tail_s: float
) -> Radiation:
    """Sound of a loudspeaker for a waveform, with `tail_s` of silence behind it.

    Raises
    ------
    NotConvergedError
        If the woofer cannot follow.
    """
    step = max(1, int(rate_hz / woofer.LOWEST_SOLVER_RATE_HZ))
    coarse = fast_length(-(-(waveform.size + round(tail_s * rate_hz)) // step))
    coarse += coarse % 2
    count = coarse * step
    spectrum = np.fft.rfft(waveform, count)
    grid_hz = frequencies_hz(count, rate_hz)
    cone, port = _low_way(loudspeaker, spectrum, grid_hz, coarse, count, air)
    dome = _high_way(loudspeaker, spectrum, grid_hz, count)
    direct = Radiation(cone, port, dome, count)
    return _with_resonances(loudspeaker.resonances, direct, grid_hz)


def _low_way(
    loudspeaker: Loudspeaker,
    spectrum: ComplexArray,
    grid_hz: FloatArray,
    coarse: int,
    count: int,
    air: Air,
) -> tuple[ComplexArray, ComplexArray]:
    rate_hz = 2.0 * float(grid_hz[-1])
    feed = np.fft.irfft(
        spectrum * amplifier.woofer_filter(loudspeaker.crossover, grid_hz), count
    )
    if loudspeaker.limiter is not None:
        feed *= amplifier.limiter_gain(loudspeaker.limiter, feed, rate_hz=rate_hz)
    feed *= np.sqrt(2.0) * loudspeaker.volt_per_fs
    voltage = np.fft.rfft(amplifier.clip(feed, clip_v=loudspeaker.clip_v))
    coarse_rate_hz = rate_hz * coarse / count
    coarse_voltage = np.fft.irfft(
        resample_spectrum(voltage, count=count, new_count=coarse), coarse
    )
    extra_ohm = thermal.extra_resistance_ohm(
        loudspeaker, coarse_voltage, rate_hz=coarse_rate_hz, air=air
    )
    sources = woofer.solve(
        loudspeaker, coarse_voltage, rate_hz=coarse_rate_hz, air=air, extra_ohm=extra_ohm
    )

    def full(signal: FloatArray) -> ComplexArray:
        return resample_spectrum(np.fft.rfft(signal), count=coarse, new_count=count)

    linear = woofer.circuit(loudspeaker.woofer, loudspeaker.box, air, grid_hz)
    motion = linear.solve(
        voltage + full(sources.voltage_v), full(sources.force_n), full(sources.port_pa)
    )
    # A small source of volume velocity q radiates ρ/Ω·dq/dt (Beranek, Acoustics, 1954, eq. 4.3,
    # for Ω = 4π). Leaks radiate with the port.
    cone_flow = loudspeaker.woofer.area_m2 * motion.velocity
    other_flow = -linear.compliance_admittance * motion.pressure - cone_flow
    factor = linear.s_per_s * (air.density_kg_per_m3 / loudspeaker.solid_angle_sr)
    return factor * cone_flow, factor * other_flow


def _high_way(
    loudspeaker: Loudspeaker, spectrum: ComplexArray, grid_hz: FloatArray, count: int
) -> ComplexArray:
    voltage = spectrum * amplifier.tweeter_filter(loudspeaker.crossover, grid_hz)
    voltage *= np.sqrt(2.0) * loudspeaker.volt_per_fs
    if np.isfinite(loudspeaker.clip_v):
        voltage_v = np.fft.irfft(voltage, count)
        clipped_v = amplifier.clip(voltage_v, clip_v=loudspeaker.clip_v)
        if clipped_v is not voltage_v:
            voltage = np.fft.rfft(clipped_v)
    linear = voltage * tweeter.response_pa_m_per_v(loudspeaker.tweeter, grid_hz)
    return tweeter.curve(loudspeaker.tweeter, linear, frequency_hz=grid_hz, count=count)


def _with_resonances(
    resonances: tuple[Resonance, ...], direct: Radiation, grid_hz: FloatArray
) -> Radiation:
    """The sound with every mode's share added where that mode is heard."""
    result = direct
    for mode in resonances:
        driver = direct.tweeter_pa_m if mode.place == "tweeter" else direct.woofer_pa_m
        if mode.kind == "radiated":
            share = driver * radiated_addition(mode, grid_hz)
        else:
            share = excited_products(mode, driver, frequency_hz=grid_hz, count=direct.count)
        if mode.place == "tweeter":
            result = replace(result, tweeter_pa_m=result.tweeter_pa_m + share)
        elif mode.place == "woofer":
            result = replace(result, woofer_pa_m=result.woofer_pa_m + share)
        else:
            result = replace(result, port_pa_m=result.port_pa_m + share)
    return result
