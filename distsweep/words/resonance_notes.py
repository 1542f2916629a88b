"""Sentences on possible causes of resonances, and on what cannot be told of a session's."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from distsweep.words.wording import listed

_WAYS = {1: "half a wavelength", 2: "one wavelength", 3: "one and a half wavelengths"}
_SIDES = ("width", "height", "depth")


def mode_name(kind: str, orders: Sequence[int]) -> str:
    """Name a predicted mode of a box, of a port, or of both.

    Parameters
    ----------
    kind, orders : as in `distsweep.analysis.resonance.causes.PredictedMode`.
    """
    if kind == "tuning":
        return "the box-port tuning"
    if kind == "pipe":
        return f"the port's pipe mode {orders[0]} ({_WAYS[orders[0]]} in the port)"
    used = [(number, side) for number, side in zip(orders, _SIDES, strict=True) if number]
    if len(used) > 1:
        return f"the cabinet's {listed([side for _, side in used])} mode"
    ((number, side),) = used
    return f"the cabinet's {side} mode ({_WAYS[number]} in the {side})"


def _possible_cause(
    *,
    kind: str,
    orders: Sequence[int],
    predicted_hz: float,
    off_percent: float,
    uncertainty_percent: float,
    within_uncertainty: bool,
    predictions: int,
    chance_percent: float,
    chance_band_hz: tuple[float, float],
) -> str:
    low_hz, high_hz = chance_band_hz
    distance = f"{abs(off_percent):.1f} % {'above' if off_percent > 0.0 else 'below'} it"
    if abs(off_percent) < 0.05:
        distance = "on it"
    uncertainty = f"the uncertainty of ±{uncertainty_percent:.1f} %"
    against = (
        f"within {uncertainty}"
        if within_uncertainty
        else f"outside {uncertainty} but within twice that"
    )
    return (
        f"Possibly {mode_name(kind, orders)}, predicted at {predicted_hz:.0f} Hz: the resonance "
        f"lies {distance}, {against}. By chance, one of the {predictions} predicted frequencies "
        f"would be as near for {chance_percent:.0f} % of all frequencies from {low_hz:.0f} Hz to "
        f"{high_hz / 1000.0:.3g} kHz."
    )


NOTES: dict[str, Callable[..., str]] = {
    "possible_cause": _possible_cause,
    "no_predicted_mode_near": lambda: (
        "None of the frequencies that the cabinet's and the port's sizes predict is near."
    ),
    "no_sizes_given": lambda: (
        "No causes are offered: they need the cabinet's or the port's inner size (cabinet_mm, "
        "port_mm in session.toml)."
    ),
    "no_ladder": lambda: (
        "There is no ladder to look for resonances in: they show in harmonics over frequency."
    ),
    "nothing_to_search": lambda: (
        "No resonance was looked for: every level clipped, or no harmonic was separated. Record "
        "at a lower input gain, with a stimulus of order 2 or more."
    ),
    "noise_not_known": lambda: (
        "How far the harmonics stand above the noise is not known, so no peak can be told from it."
    ),
    "noise_hides_harmonics": lambda: (
        "Hardly any harmonic stands clear of the noise, so no peak can be told from it: a "
        "resonance may be there and hidden. Measure louder, closer or in a quieter place."
    ),
    "no_resonance_found": lambda: (
        "No narrow peak stands out of any harmonic in a way that a resonance would: none was "
        "found. One that noise hides, or that a step of the response swallows, is not excluded."
    ),
    "one_clean_level": lambda: (
        "There is one clean level only: whether a peak grows with level, or is a burst of noise, "
        "cannot be told."
    ),
    "one_position_searched": lambda *, position: (
        f"There is one position only, “{position}”: where a resonance is strongest cannot be told, "
        "nor a reflection in the room be excluded. Near-field takes of woofer, port and tweeter "
        "would."
    ),
    "sweep_too_short": lambda *, from_hz: (
        f"The sweep is too short to tell narrow peaks below {from_hz:.0f} Hz played: harmonics lie "
        "too close together in time there. A longer sweep reaches lower."
    ),
}
"""The sentence of every code of a cause or a note that `distsweep.analysis.resonance` returns."""
