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
from distsweep.rehearsal.circuit import circuit
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
    grid = _Grid(rate_hz, count, coarse, frequencies_hz(count, rate_hz))
    spectrum = np.fft.rfft(waveform, count)
    cone, port = _low_way(loudspeaker, spectrum, grid, air)
    dome = _high_way(loudspeaker, spectrum, grid)
    direct = Radiation(cone, port, dome, count)
    return _with_resonances(loudspeaker.resonances, direct, grid.frequency_hz)


@dataclass(frozen=True)
class _Grid:
    """The signal's own grid, and the coarse one that the woofer is solved on."""

    rate_hz: float
    count: int
    coarse_count: int
    frequency_hz: FloatArray

    @property
    def coarse_rate_hz(self) -> float:
        return self.rate_hz * self.coarse_count / self.count

    def to_coarse(self, spectrum: ComplexArray) -> FloatArray:
        """The signal of a spectrum on the coarse grid."""
        kept = resample_spectrum(spectrum, count=self.count, new_count=self.coarse_count)
        return np.fft.irfft(kept, self.coarse_count)

    def from_coarse(self, signal: FloatArray) -> ComplexArray:
        """The spectrum, on the signal's own grid, of a signal on the coarse one."""
        spectrum = np.fft.rfft(signal)
        return resample_spectrum(spectrum, count=self.coarse_count, new_count=self.count)


def _low_way(
    loudspeaker: Loudspeaker, spectrum: ComplexArray, grid: _Grid, air: Air
) -> tuple[ComplexArray, ComplexArray]:
    """Sound of the cone, and of the port with the leaks, Pa·m."""
    filtered = amplifier.woofer_filter(loudspeaker.crossover, grid.frequency_hz)
    feed = np.fft.irfft(spectrum * filtered, grid.count)
    if loudspeaker.limiter is not None:
        feed *= amplifier.limiter_gain(loudspeaker.limiter, feed, rate_hz=grid.rate_hz)
    feed *= np.sqrt(2.0) * loudspeaker.volt_per_fs
    voltage = np.fft.rfft(amplifier.clip(feed, clip_v=loudspeaker.clip_v))
    coarse_v = grid.to_coarse(voltage)
    rate_hz = grid.coarse_rate_hz
    extra_ohm = thermal.extra_resistance_ohm(loudspeaker, coarse_v, rate_hz=rate_hz, air=air)
    sources = woofer.solve(loudspeaker, coarse_v, rate_hz=rate_hz, air=air, extra_ohm=extra_ohm)
    linear = circuit(loudspeaker.woofer, loudspeaker.box, air, grid.frequency_hz)
    motion = linear.solve(
        voltage + grid.from_coarse(sources.voltage_v),
        grid.from_coarse(sources.force_n),
        grid.from_coarse(sources.port_pa),
    )
    # A small source of volume velocity q radiates ρ/Ω·dq/dt (Beranek, Acoustics, 1954,
    # chapter 4, for Ω = 4π). Leaks radiate with the port.
    cone_flow = loudspeaker.woofer.area_m2 * motion.velocity
    other_flow = -linear.compliance_admittance * motion.pressure - cone_flow
    factor = linear.s_per_s * (air.density_kg_per_m3 / loudspeaker.solid_angle_sr)
    return factor * cone_flow, factor * other_flow


def _high_way(loudspeaker: Loudspeaker, spectrum: ComplexArray, grid: _Grid) -> ComplexArray:
    """Sound of the dome, Pa·m."""
    voltage = spectrum * amplifier.tweeter_filter(loudspeaker.crossover, grid.frequency_hz)
    voltage *= np.sqrt(2.0) * loudspeaker.volt_per_fs
    if np.isfinite(loudspeaker.clip_v):
        voltage_v = np.fft.irfft(voltage, grid.count)
        clipped_v = amplifier.clip(voltage_v, clip_v=loudspeaker.clip_v)
        if clipped_v is not voltage_v:
            voltage = np.fft.rfft(clipped_v)
    linear = voltage * tweeter.response_pa_m_per_v(loudspeaker.tweeter, grid.frequency_hz)
    return tweeter.curve(
        loudspeaker.tweeter, linear, frequency_hz=grid.frequency_hz, count=grid.count
    )


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
