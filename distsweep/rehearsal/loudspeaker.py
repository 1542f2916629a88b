"""What a simulated powered loudspeaker is made of: physical parameters, and nothing computed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from distsweep.rehearsal.resonances import Resonance


def _require_positive(owner: str, **values: float) -> None:
    for name, value in values.items():
        if not value > 0.0:
            raise ValueError(f"{owner} has {name} {value}: it must be above zero")


@dataclass(frozen=True)
class Woofer:
    """A moving-coil driver with large-signal parameters, after the reference below.

    Polynomials are tuples of the coefficients of the first, second, … power of the excursion in
    millimetres (outward is positive), relative to the value at rest: Bl(x) = Bl(0)·(1 + b₁x + …).
    An empty tuple is a constant.

    Parameters
    ----------
    resistance_ohm, inductance_h
        Voice coil at room temperature and at rest.
    force_factor_n_per_a, stiffness_n_per_m
        Bl(0) and Kms(0).
    mass_kg, mechanical_resistance_ns_per_m
        Moving mass with its air load, and mechanical losses.
    area_m2
        Effective radiating area.
    force_factor_curve, stiffness_curve, inductance_curve
        Bl(x), Kms(x) and Le(x).
    inductance_current_curve
        Flux linkage Le(0)·i·(1 + c₁i + c₂i² …) with i in ampere: the iron's own curvature.
    excursion_range_mm
        Excursion to which the polynomials may be believed. Beyond it the simulation refuses.
    below_axis_mm
        How far its centre stands below the axis on which the loudspeaker is measured.

    References
    ----------
    W. Klippel, "Loudspeaker nonlinearities - causes, parameters, symptoms", JAES 54(10), 2006.
    """

    resistance_ohm: float
    inductance_h: float
    force_factor_n_per_a: float
    mass_kg: float
    stiffness_n_per_m: float
    mechanical_resistance_ns_per_m: float
    area_m2: float
    force_factor_curve: tuple[float, ...] = ()
    stiffness_curve: tuple[float, ...] = ()
    inductance_curve: tuple[float, ...] = ()
    inductance_current_curve: tuple[float, ...] = ()
    excursion_range_mm: float = 8.0
    below_axis_mm: float = 110.0

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive(
            "the woofer",
            resistance_ohm=self.resistance_ohm,
            force_factor_n_per_a=self.force_factor_n_per_a,
            mass_kg=self.mass_kg,
            stiffness_n_per_m=self.stiffness_n_per_m,
            area_m2=self.area_m2,
            excursion_range_mm=self.excursion_range_mm,
        )

    @property
    def radius_m(self) -> float:
        """Radius of the equivalent piston."""
        return float(np.sqrt(self.area_m2 / np.pi))


@dataclass(frozen=True)
class Box:
    """A vented cabinet.

    Parameters
    ----------
    volume_l
        Net inner volume, litres.
    port_length_mm, port_diameter_mm
        Physical size of the round port.
    port_q
        Quality factor of the port at the tuning, by wall friction alone.
    leakage_q
        Quality factor of the box at the tuning, by leakage alone. `inf` for an airtight one.
    port_turbulence
        Loss coefficient ξ of the port's two ends together: a pressure ξ·ρ/2·u|u| is lost at the
        air speed u. 0 switches it off; 1 is a sharp exit (Idelchik, Handbook of Hydraulic
        Resistance), a flare has less.
    port_below_axis_mm
        How far its mouth stands below the axis, on the same baffle as the drivers.
    """

    volume_l: float
    port_length_mm: float
    port_diameter_mm: float
    port_q: float = 40.0
    leakage_q: float = 12.0
    port_turbulence: float = 0.5
    port_below_axis_mm: float = 190.0

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive(
            "the box",
            volume_l=self.volume_l,
            port_length_mm=self.port_length_mm,
            port_diameter_mm=self.port_diameter_mm,
            port_q=self.port_q,
            leakage_q=self.leakage_q,
        )

    @property
    def port_area_m2(self) -> float:
        """Cross-section of the port."""
        return float(np.pi / 4.0 * (self.port_diameter_mm / 1000.0) ** 2)

    @property
    def port_effective_length_m(self) -> float:
        """Length of the moving air: both ends add to it, 0.85 a flanged and 0.61 a free end, times
        the radius (Kinsler et al., Fundamentals of Acoustics, 4th ed., section 10.8)."""
        radius_mm = self.port_diameter_mm / 2.0
        return (self.port_length_mm + (0.85 + 0.61) * radius_mm) / 1000.0

    def tuning_hz(self, sound_speed_m_per_s: float) -> float:
        """Helmholtz frequency of box and port."""
        stiffness = self.port_area_m2 / (self.volume_l / 1000.0 * self.port_effective_length_m)
        return float(sound_speed_m_per_s / (2.0 * np.pi) * np.sqrt(stiffness))


@dataclass(frozen=True)
class Tweeter:
    """A dome: a sensitivity, a second-order high-pass and low-pass, and a weak curvature.

    Parameters
    ----------
    sensitivity_pa_m_per_v
        Pressure times distance for one volt, in its pass band.
    resonance_hz, resonance_q
        Of the high-pass.
    upper_hz
        Corner of the second-order (Butterworth) low-pass.
    second_db, third_db
        Levels of the second and third harmonic in mid-band, dB re the fundamental when that is
        `reference_spl_db` at 1 m. -inf switches an order off.
    reference_spl_db
        dB re 20 µPa, RMS.
    radius_mm
        Of the dome.
    """

    sensitivity_pa_m_per_v: float
    resonance_hz: float = 800.0
    resonance_q: float = 0.7
    upper_hz: float = 32000.0
    second_db: float = -np.inf
    third_db: float = -np.inf
    reference_spl_db: float = 86.0
    radius_mm: float = 12.5

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive(
            "the tweeter",
            sensitivity_pa_m_per_v=self.sensitivity_pa_m_per_v,
            resonance_hz=self.resonance_hz,
            resonance_q=self.resonance_q,
            upper_hz=self.upper_hz,
            radius_mm=self.radius_mm,
        )


@dataclass(frozen=True)
class Bell:
    """One band of the built-in equaliser: `gain_db` at `frequency_hz`, of quality factor `q`."""

    frequency_hz: float
    q: float
    gain_db: float

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive("a bell", frequency_hz=self.frequency_hz, q=self.q)


@dataclass(frozen=True)
class Crossover:
    """The filters before the two amplifiers: fourth-order Linkwitz-Riley, and a low cut.

    Parameters
    ----------
    frequency_hz
        Where both ways are 6 dB down.
    low_cut_hz, low_cut_q
        Second-order high-pass that spares the woofer below the tuning; 0 Hz switches it off.
    tweeter_delay_ms
        Delay that brings the two ways into step.
    equaliser
        Bells that act before both ways.

    References
    ----------
    S. Linkwitz, "Active crossover networks for noncoincident drivers", JAES 24(1), 1976.
    """

    frequency_hz: float = 2000.0
    low_cut_hz: float = 0.0
    low_cut_q: float = 0.707
    tweeter_delay_ms: float = 0.0
    equaliser: tuple[Bell, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive("the crossover", frequency_hz=self.frequency_hz, low_cut_q=self.low_cut_q)


@dataclass(frozen=True)
class Limiter:
    """The protection of the woofer: a feed-forward peak limiter in its feed.

    Parameters
    ----------
    threshold_dbfs, ratio, knee_db
        The static curve, for a sine; dB re a full-scale sine at the input, in the woofer's band.
    attack_ms, release_ms
        Time constants of the gain, in decibels, towards more and towards less reduction.
    """

    threshold_dbfs: float
    ratio: float
    knee_db: float = 6.0
    attack_ms: float = 5.0
    release_ms: float = 300.0

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive("the limiter", attack_ms=self.attack_ms, release_ms=self.release_ms)
        if not (self.ratio >= 1.0 and self.knee_db >= 0.0):
            raise ValueError(
                f"the limiter has ratio {self.ratio} and knee_db {self.knee_db}: "
                "the ratio must be at least 1, the knee at least 0"
            )


@dataclass(frozen=True)
class Heating:
    """The woofer's voice coil as one thermal mass.

    Parameters
    ----------
    resistance_k_per_w
        Thermal resistance from the coil to its surroundings.
    time_constant_s
        Of warming and cooling.
    coefficient_per_k
        Relative rise of the coil's resistance; 0.0039 is copper's.
    """

    resistance_k_per_w: float
    time_constant_s: float
    coefficient_per_k: float = 0.0039

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive("the heating", time_constant_s=self.time_constant_s)


@dataclass(frozen=True)
class Loudspeaker:
    """A powered two-way loudspeaker.

    Parameters
    ----------
    maker, model
        Its invented name.
    volt_per_fs
        RMS output, V, of either amplifier for a full-scale sine.
    clip_v
        Peak voltage at which both amplifiers clip; `inf` for none.
    solid_angle_sr
        Into which it radiates at all frequencies; 2π is a large baffle.
    limiter, heating
        None switches them off.
    hiss_uv
        Noise voltage of the tweeter's amplifier, µV RMS from 20 Hz to 20 kHz, of even density; in
        recordings of the background only (`distsweep.rehearsal.background`).
    """

    maker: str
    model: str
    woofer: Woofer
    box: Box
    tweeter: Tweeter
    crossover: Crossover = field(default_factory=Crossover)
    limiter: Limiter | None = None
    heating: Heating | None = None
    resonances: tuple[Resonance, ...] = ()
    volt_per_fs: float = 30.0
    clip_v: float = np.inf
    solid_angle_sr: float = 2.0 * np.pi
    hiss_uv: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _require_positive(
            "the loudspeaker",
            volt_per_fs=self.volt_per_fs,
            clip_v=self.clip_v,
            solid_angle_sr=self.solid_angle_sr,
        )

    def linear(self) -> Loudspeaker:
        """The same loudspeaker with everything that is not linear and time-invariant removed."""
        return replace(
            self,
            woofer=replace(
                self.woofer,
                force_factor_curve=(),
                stiffness_curve=(),
                inductance_curve=(),
                inductance_current_curve=(),
                excursion_range_mm=np.inf,
            ),
            box=replace(self.box, port_turbulence=0.0),
            tweeter=replace(self.tweeter, second_db=-np.inf, third_db=-np.inf),
            resonances=tuple(r for r in self.resonances if r.kind == "radiated"),
            limiter=None,
            heating=None,
            clip_v=np.inf,
        )
