"""Warming of the woofer's voice coil, which slowly raises its resistance."""

from __future__ import annotations

import numpy as np

from distsweep.rehearsal.air import Air
from distsweep.rehearsal.arrays import FloatArray, frequencies_hz
from distsweep.rehearsal.circuit import circuit
from distsweep.rehearsal.loudspeaker import Loudspeaker

# Chosen because it holds a whole period at 20 Hz and is short beside seconds of warming.
POWER_PERIOD_S = 0.05


def extra_resistance_ohm(
    loudspeaker: Loudspeaker, voltage_v: FloatArray, *, rate_hz: float, air: Air
) -> FloatArray:
    """Rise of the coil's resistance at every sample, [shape=(n,)], from a cold start.

    One thermal mass: τ·dT/dt = R_th·P − T (Button, JAES 40(1/2), 1992, with one of his two time
    constants).

    Notes
    -----
    The power is R·i² of the cold, linear woofer. It neglects that a warm coil takes less current,
    which overstates the heating by as much as the coil's resistance has risen.
    """
    heating, count = loudspeaker.heating, voltage_v.size
    if heating is None or heating.resistance_k_per_w == 0.0:
        return np.zeros(count)
    linear = circuit(loudspeaker.woofer, loudspeaker.box, air, frequencies_hz(count, rate_hz))
    drive = np.fft.rfft(voltage_v)
    current = np.fft.irfft(linear.solve(drive, np.zeros_like(drive)).current, count)
    period = max(1, round(POWER_PERIOD_S * rate_hz))
    periods = -(-count // period)
    padded = np.zeros(periods * period)
    padded[:count] = current**2
    power_w = loudspeaker.woofer.resistance_ohm * padded.reshape(periods, period).mean(axis=1)
    step = 1.0 - float(np.exp(-period / (rate_hz * heating.time_constant_s)))
    rise_k, rises_k = 0.0, [0.0]
    for power in power_w.tolist():
        rise_k += step * (heating.resistance_k_per_w * power - rise_k)
        rises_k.append(rise_k)
    at_end = np.arange(periods + 1) * period
    per_k = loudspeaker.woofer.resistance_ohm * heating.coefficient_per_k
    rise_ohm: FloatArray = per_k * np.interp(np.arange(count), at_end, np.array(rises_k))
    return rise_ohm
