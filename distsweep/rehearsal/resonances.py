"""Narrow resonances of the cabinet, the port, or something loose, of two kinds.

A *radiated* one is a linear mode that the driver's output excites and that radiates by itself: it
lifts whatever lands on it, fundamental and product alike. An *excited* one is something loose that
resonates when its own frequency is played and then moves nonlinearly: its products appear at twice
and three times that frequency, and nowhere else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from distsweep.rehearsal.arrays import ComplexArray, FloatArray, imaginary
from distsweep.rehearsal.curvature import products_of
from distsweep.units import db_to_ratio

Kind = Literal["radiated", "excited"]
Place = Literal["woofer", "port", "tweeter"]


@dataclass(frozen=True)
class Resonance:
    """One mode of the second order.

    Parameters
    ----------
    frequency_hz, q
        Natural frequency and quality factor of the mode.
    kind
        "radiated" or "excited", see above.
    lift_db
        Radiated only: what the mode adds at `frequency_hz` to the direct sound of its driver, dB.
    second_db, third_db, fourth_db, fifth_db
        Excited only: levels of the harmonics for a sine at `frequency_hz`, dB re the driver's
        fundamental at that frequency, when that is `reference_spl_db` at 1 m. Where the fourth and
        fifth are off, the second and third grow 1 and 2 dB per dB. -inf switches an order off.
    reference_spl_db
        dB re 20 µPa, RMS.
    place
        Where the mode is heard: "port" and "woofer" are driven by the cone, "tweeter" by the dome.

    Raises
    ------
    ValueError
        If the frequency or Q is not positive, or the kind or place unknown.
    """

    frequency_hz: float
    q: float
    kind: Kind = "radiated"
    lift_db: float = 6.0
    second_db: float = -45.0
    third_db: float = -50.0
    fourth_db: float = -math.inf
    fifth_db: float = -math.inf
    reference_spl_db: float = 86.0
    place: Place = "port"

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if not (self.frequency_hz > 0.0 and self.q > 0.0):
            raise ValueError(
                f"a resonance has frequency_hz {self.frequency_hz} and q {self.q}: "
                "both must be above zero"
            )
        if self.kind not in ("radiated", "excited"):
            raise ValueError(f"kind is {self.kind!r}: choose 'radiated' or 'excited'")
        if self.place not in ("woofer", "port", "tweeter"):
            raise ValueError(f"place is {self.place!r}: choose 'woofer', 'port' or 'tweeter'")


def band_pass(frequency_hz: FloatArray, *, centre_hz: float, q: float) -> ComplexArray:
    """Second-order band-pass with gain 1 at its centre: jff₀/Q over f₀² − f² + jff₀/Q."""
    damping = imaginary(frequency_hz * centre_hz / q)
    result: ComplexArray = damping / (centre_hz**2 - frequency_hz**2 + damping)
    return result


def radiated_addition(resonance: Resonance, frequency_hz: FloatArray) -> ComplexArray:
    """What a radiated mode adds, as a factor on the direct sound of its driver.

    At the mode's frequency direct sound and addition are in phase and sum to `lift_db`.
    """
    share = float(db_to_ratio(resonance.lift_db)) - 1.0
    return share * band_pass(frequency_hz, centre_hz=resonance.frequency_hz, q=resonance.q)


def excited_products(
    resonance: Resonance, direct_pa: ComplexArray, *, frequency_hz: FloatArray, count: int
) -> ComplexArray:
    """Spectrum of what an excited mode radiates, for the spectrum of its driver's sound at 1 m.

    The mode's motion is the driver's sound behind a band-pass; its powers radiate.
    """
    products = products_of(
        direct_pa * band_pass(frequency_hz, centre_hz=resonance.frequency_hz, q=resonance.q),
        count=count,
        harmonics_db={
            2: resonance.second_db,
            3: resonance.third_db,
            4: resonance.fourth_db,
            5: resonance.fifth_db,
        },
        reference_spl_db=resonance.reference_spl_db,
    )
    # A small thing does not radiate the steady part of a square, nor much of its slow changes.
    result: ComplexArray = products * high_pass_1(frequency_hz, resonance.frequency_hz / 10.0)
    return result


def high_pass_1(frequency_hz: FloatArray, corner_hz: float) -> ComplexArray:
    """First-order high-pass."""
    ratio = imaginary(frequency_hz / corner_hz)
    result: ComplexArray = ratio / (1.0 + ratio)
    return result
