"""Sentences on a resonance: what agrees with it, what speaks against it, and a paragraph."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from distsweep.reason import Reason
from distsweep.words.resonance_notes import NOTES
from distsweep.words.wording import as_given, known_places, listed, ordinal, signed


def sentence(reason: Reason) -> str:
    """Write a reason of `distsweep.analysis.resonance` as a sentence."""
    return SENTENCES[reason.code](**reason.values)


def sentences(reasons: Sequence[Reason]) -> list[str]:
    """Write several reasons, one sentence each."""
    return [sentence(reason) for reason in reasons]


def _peaks(orders: Sequence[int], played_hz: Sequence[float], heights_db: Sequence[float]) -> str:
    return ", ".join(
        f"{ordinal(order)} at {at_hz:.0f} Hz ({signed(height_db)} dB)"
        for order, at_hz, height_db in zip(orders, played_hz, heights_db, strict=True)
    )


def _peaks_where_products_land(
    *,
    frequency_hz: float,
    orders: Sequence[int],
    played_hz: Sequence[float],
    heights_db: Sequence[float],
) -> str:
    peaks = _peaks(orders, played_hz, heights_db)
    return f"Peaks stand where a product lands on {frequency_hz:.0f} Hz: {peaks} played."


def _peaks_where_played(
    *, orders: Sequence[int], played_hz: Sequence[float], heights_db: Sequence[float]
) -> str:
    peaks = _peaks(orders, played_hz, heights_db)
    return f"Peaks stand at the same excitation frequency: {peaks}, with the response divided out."


def _curve_names(orders: Sequence[int], positions: Sequence[str]) -> list[str]:
    """Name curves, a take's together: the linear response and harmonics."""
    names: dict[str, list[str]] = {}
    for order, position in zip(orders, positions, strict=True):
        curve = "the linear response" if order == 1 else f"the {ordinal(order)} harmonic"
        names.setdefault(position, []).append(curve)
    return [f"{listed(curves)} at “{position}”" for position, curves in names.items()]


def _times(log_ratio: float) -> str:
    """Write how many times likelier something is."""
    decades = log_ratio / math.log(10.0)
    if decades >= 6.0:
        return "more than a million times"
    digits = 10.0 ** math.floor(decades)
    return f"{math.floor(math.exp(log_ratio) / digits) * digits:,.0f} times"


def _curves_agree(
    *, orders: Sequence[int], positions: Sequence[str], log_ratios: Sequence[float]
) -> str:
    first = _curve_names(orders[:1], positions[:1])[0]
    sentence = f"With such a mode {first} is {_times(log_ratios[0])} likelier than without"
    others = _curve_names(orders[1:], positions[1:])
    if not others:
        return f"{sentence}."
    least = min(log_ratios[1:])
    return f"{sentence}; {listed(others)} {_agrees(len(orders) - 1)}, by {_times(least)} or more."


def _agrees(count: int) -> str:
    return "agrees" if count == 1 else "agree"


def _curves_disagree(
    *, orders: Sequence[int], positions: Sequence[str], log_ratios: Sequence[float]
) -> str:
    names = listed(_curve_names(orders, positions))
    verb = "is" if len(orders) == 1 else "are"
    return f"Without such a mode {names} {verb} likelier, by {_times(min(log_ratios))}."


def _explained_otherwise(*, kind: str, share: float) -> str:
    other = (
        "A boost of the drive at that frequency, or a mode that lifts products where they land,"
        if kind == "excited"
        else "A filter in front of the loudspeaker, which lifts no product that lands there, or "
        "something loose that shows where it is loud only,"
    )
    return f"{other} would explain {100.0 * share:.0f} % of what the curves show."


def _shown_at(
    *,
    position: str,
    strongest: bool,
    loudest_product: bool,
    bump_db: float | None,
    spike_db: float | None,
) -> str:
    where = f"strongest at “{position}”" if strongest else f"seen at “{position}” too"
    if loudest_product:
        where += ", where its product's level is highest"
    sizes = [
        f"a peak of {signed(height_db)} dB in {curve}"
        for curve, height_db in (("the fundamental", bump_db), ("a harmonic", spike_db))
        if height_db is not None
    ]
    return f"It is {where}{': ' if sizes else ''}{listed(sizes)}."


def _single_order(*, order: int, silent_orders: Sequence[int]) -> str:
    silent = listed([ordinal(n) for n in silent_orders])
    others = f", though {silent} could" if silent else ""
    return f"Only the {ordinal(order)} harmonic shows it{others}."


def _on_hum(*, hum_hz: float, order: int, steady: bool) -> str:
    return (
        f"A line of mains hum stands at {hum_hz:.0f} Hz, where the {ordinal(order)} harmonic of "
        f"it is heard{', and it does not grow with the drive' if steady else ''}."
    )


def _grows_as_mild(*, order: int, growth_db_per_db: float, mild_db_per_db: float) -> str:
    return (
        f"Its {ordinal(order)} harmonic grows by {signed(growth_db_per_db)} dB per dB of drive; "
        f"mild nonlinearity gives {signed(mild_db_per_db, 0)}."
    )


def _grows_otherwise(*, order: int, growth_db_per_db: float, mild_db_per_db: float) -> str:
    grows = f"Its {ordinal(order)} harmonic grows by {signed(growth_db_per_db)} dB per dB"
    mild = f"than the {signed(mild_db_per_db, 0)} of mild nonlinearity"
    if growth_db_per_db > mild_db_per_db:
        return f"{grows}, faster {mild}: something sets in."
    return f"{grows}, slower {mild}."


def _one_of_several_levels(*, drive_dbfs: float, clear: int) -> str:
    return (
        f"Only one of {clear} levels that could show it does, at {as_given(drive_dbfs)} dBFS: a "
        "noise burst would look the same."
    )


def _room_hides_decay(*, position: str, free_s: float, needed_s: float) -> str:
    return (
        f"The room hides the decay at “{position}”: the first strong reflection comes "
        f"{1000.0 * free_s:.1f} ms after the direct sound, and a mode of this Q needs "
        f"{1000.0 * needed_s:.0f} ms to be told from the band-pass."
    )


def _rings_longer(
    *,
    position: str,
    ring_time_s: float,
    neighbours_s: float,
    rate_db_per_s: float,
    q: float,
    fitted_q: float | None = None,
) -> str:
    fit = "" if fitted_q is None else f", the fit one of {fitted_q:.0f}"
    return (
        f"At “{position}” it rings for {1000.0 * ring_time_s:.0f} ms (20 dB), as against "
        f"{1000.0 * neighbours_s:.0f} ms beside it; the decay of {rate_db_per_s:.0f} dB/s means a "
        f"Q of {q:.0f}{fit}."
    )


def _rings_no_longer(*, position: str, ring_time_s: float, neighbours_s: float) -> str:
    return (
        f"At “{position}” it rings no longer than its neighbours: {1000.0 * ring_time_s:.0f} ms "
        f"(20 dB), as against {1000.0 * neighbours_s:.0f} ms beside it."
    )


def _something_resonates(
    *,
    confidence: float,
    frequency_hz: float,
    q: float | None,
    kind: str,
    position: str | None,
    peak_db: float,
    appears_at_dbfs: float | None,
) -> str:
    sharpness = "" if q is None else f", Q about {q:.0f}"
    does = (
        "lifts every product that lands on it"
        if kind == "radiated"
        else "is set off when that frequency is played"
    )
    where = "" if position is None else f" at “{position}”"
    since = ""
    if appears_at_dbfs is not None:
        since = f" and shows from {as_given(appears_at_dbfs)} dBFS up"
    return (
        f"{_chance(confidence)} something at {frequency_hz:.0f} Hz{sharpness} {does}: its "
        f"strongest peak{where} stands {signed(peak_db, 0)} dB above its surroundings{since}."
    )


def _steady_tone_shows(
    *,
    order: int,
    frequency_hz: float,
    drive_dbfs: float,
    level_db: float,
    low_db: float,
    high_db: float,
    swept_db: float,
    sweep_s: float | None,
) -> str:
    places = known_places((high_db - low_db) / 2.0) if math.isfinite(low_db) else 0
    step = 10.0**-places
    low, high = (
        signed(step * whole(end / step), places) if math.isfinite(end) else ""
        for whole, end in ((math.floor, low_db), (math.ceil, high_db))
    )
    known = f"no more than {high} dB"
    if low:
        known = f"{signed(level_db, places)} dB (95 %: {low} to {high} dB)"
    # The noise of what the sweep shows is a part of that interval.
    shown = f"where the sweep shows {signed(swept_db, places)} dB"
    if sweep_s is not None:
        shown += f"; a sweep of {math.ceil(sweep_s)} s or more shows it directly"
    return (
        f"A steady tone of {frequency_hz:.0f} Hz at {as_given(drive_dbfs)} dBFS would show its "
        f"{ordinal(order)} harmonic at {known} re the fundamental, {shown}."
    )


def _chance(confidence: float) -> str:
    if confidence >= 0.9:
        return "Almost certainly,"
    if confidence >= 0.7:
        return "Probably,"
    return "Perhaps" if confidence >= 0.3 else "Hardly likely, but"


SENTENCES: dict[str, Callable[..., str]] = {
    "peaks_where_products_land": _peaks_where_products_land,
    "peaks_where_played": _peaks_where_played,
    "curves_agree": _curves_agree,
    "curves_disagree": _curves_disagree,
    "explained_otherwise": _explained_otherwise,
    "products_keep_it": lambda: (
        "The linear response does not show it, but the products that land there are lifted alike: "
        "so it is where an equaliser takes a mode off the response."
    ),
    "room_may_make_it": lambda: (
        "A room could make the same: where it shows, the direct sound does not dominate, and no "
        "second position agrees."
    ),
    "near_field_would_tell": lambda: (
        "Whether the loudspeaker or the room resonates, one near-field take of woofer and port "
        "would tell."
    ),
    "fundamental_peaks_too": lambda *, bump_db: (
        f"The fundamental has a peak of {signed(bump_db)} dB there."
    ),
    "fundamental_flat_where_set_off": lambda: (
        "The fundamental has no peak there, as for something that is only set off at that "
        "frequency."
    ),
    "levels_show_it": lambda *, showing, clear: (
        f"{showing} of {clear} levels that could show it do."
    ),
    "shown_at": _shown_at,
    "single_order": _single_order,
    "outside_sweep": lambda: (
        "Its frequency lies outside the sweep, so the fundamental there is not seen."
    ),
    "fundamental_has_no_peak": lambda: "The fundamental has no peak of its own there.",
    "fundamental_peak_too_small": lambda *, bump_db: (
        f"The fundamental's peak of {signed(bump_db)} dB there is too small to tell from ripple."
    ),
    "on_hum": _on_hum,
    "one_clear_level": lambda *, drive_dbfs: (
        f"Only one level, at {as_given(drive_dbfs)} dBFS, stands clear of the noise: no other "
        "level confirms it."
    ),
    "one_of_several_levels": _one_of_several_levels,
    "grows_as_mild": _grows_as_mild,
    "grows_otherwise": _grows_otherwise,
    "other_kind": lambda *, kind, confidence: (
        f"It could be {kind} as well (confidence {confidence:.2f})."
    ),
    "missing_at": lambda *, positions: (
        f"It is missing at {listed([f'“{name}”' for name in positions])}."
    ),
    "decay_not_looked_at": lambda: (
        "An excited resonance need not ring in the linear response, so its decay was not looked at."
    ),
    "decay_outside_sweep": lambda: (
        "Its frequency lies outside the sweep, so its decay is not seen."
    ),
    "room_hides_decay": _room_hides_decay,
    "noise_hides_decay": lambda *, position, fall_db: (
        f"Noise hides the decay at “{position}”: it falls by {signed(fall_db, 0)} dB only."
    ),
    "rings_longer": _rings_longer,
    "rings_no_longer": _rings_no_longer,
    "rings_with_other_q": _rings_longer,
    "something_resonates": _something_resonates,
    "steady_tone_shows": _steady_tone_shows,
    "growth_not_known": lambda: (
        "How it grows with level cannot be told: no two levels of it stand clear of the noise."
    ),
    "strongest_at": lambda *, position: f"It is strongest at “{position}”.",
    "origin_not_known": lambda: "With one position only, where it comes from cannot be told.",
    "strongest_not_known": lambda: "Where it is strongest cannot be told.",
    **NOTES,
}
"""The sentence of every code that `distsweep.analysis.resonance` returns."""
