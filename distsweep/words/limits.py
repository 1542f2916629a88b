"""Sentences on limiters: one for every code that analysis gives a limiter's reasons."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from math import isnan, nan

from distsweep.reason import Reason, Value
from distsweep.words.wording import as_given, known_decibels, known_places, listed, signed

MOST_RATIO = 99.0
"""A bound on a ratio above this is written as this (chosen: nobody hears the difference)."""


def limiter_sentence(reason: Reason) -> str:
    """Return the sentence of a reason, without capital and full stop: others may follow it."""
    return LIMITER_SENTENCES[reason.code](**reason.values)


def _known(change_db: float, within_db: float) -> str:
    """Write a gain change with two decimals, or fewer, as far as its interval leaves it known.

    ``within_db`` is how far that reaches; NaN where nobody knows.
    """
    text = known_decibels(change_db, change_db - within_db, change_db + within_db, decimals=2)
    return text.replace("\N{NO-BREAK SPACE}", " ")


def _gain_changes_by(lowest_db: float, highest_db: float, within_db: float) -> str:
    places = known_places(within_db, 2)
    low, high = signed(lowest_db, places), signed(highest_db, places)
    ends = high if low == high else f"{low} to {high}"
    return f"the gain changes by {'' if places else 'about '}{ends} dB on the way up"


def _gain_hardly_falls(
    lowest_db: float, highest_db: float, onset_db: float, within_db: float = nan
) -> str:
    change = _gain_changes_by(lowest_db, highest_db, within_db)
    return f"{change}: it falls by less than {as_given(onset_db)} dB"


def _clip_just_begun(
    lowest_db: float,
    highest_db: float,
    odd_growth_db_per_db: float,
    drive_dbfs: float,
    within_db: float = nan,
) -> str:
    return (
        f"{_gain_changes_by(lowest_db, highest_db, within_db)}, yet odd harmonics grow by"
        f" {signed(odd_growth_db_per_db)} dB per dB at {as_given(drive_dbfs)} dBFS and reach 1 % or"
        " more: a clip that has only just begun"
    )


def _wave_bent(loss_db: float, odd_share: float, within_db: float = nan) -> str:
    return (
        f"the gain falls by {_known(loss_db, within_db)} and odd harmonics grow with it"
        f" ({odd_share:.2f} of the share lost; a bent wave shows 0.3 to 1.4, a limiter far less)"
    )


def _wave_whole(loss_db: float, odd_share: float, within_db: float = nan) -> str:
    return (
        f"the gain falls by {_known(loss_db, within_db)} while odd harmonics hardly grow"
        f" ({odd_share:.2f} of the share lost; a bent wave shows 0.3 or more)"
    )


def _falls_unevenly(loss_db: float, odd_share: float, within_db: float = nan) -> str:
    whole = _wave_whole(loss_db, odd_share, within_db)
    return f"{whole}, but not as a limiter's: it does not fall as the drive rises"


def _crest_factor(quietest_db: float, loudest_db: float) -> str:
    return (
        f"the crest factor goes from {quietest_db:.1f} to {loudest_db:.1f} dB (a sine's is 3.0, a"
        " square wave's 0)"
    )


def _bent_gently(slope_db_per_db: float, cubic_rms_db: float, clip_rms_db: float) -> str:
    return (
        "the waveform is bent gently: at the highest drive the output still follows with"
        f" {signed(slope_db_per_db, 2)} dB per dB (a cubic characteristic misses the losses by"
        f" {cubic_rms_db:.2f} dB, a clip by {clip_rms_db:.2f} dB)"
    )


def _clip_fits(clip_dbfs: float, loss_rms_db: float, odd_rms_db: float | None) -> str:
    odd = "" if odd_rms_db is None else f" and these odd harmonics within {odd_rms_db:.1f} dB"
    return (
        f"a wave clipped from {signed(clip_dbfs)} dBFS on has these losses within"
        f" {loss_rms_db:.2f} dB{odd}"
    )


def _static_curve_fits(
    threshold_dbfs: float, ratio: float | None, knee_db: float, fit_rms_db: float
) -> str:
    words = "infinite (20 or more)" if ratio is None else f"{ratio:.2g}"
    return (
        f"above {signed(threshold_dbfs)} dBFS a ratio of {words} with a knee of"
        f" {signed(knee_db)} dB fits within {fit_rms_db:.2f} dB"
    )


def _only_bounds_known(
    levels: int, threshold_low_dbfs: float | None, threshold_high_dbfs: float, ratio_low: float
) -> str:
    high = signed(threshold_high_dbfs)
    place = f"below {high} dBFS"
    if threshold_low_dbfs is not None:
        place = f"between {signed(threshold_low_dbfs)} and {high} dBFS"
    return (
        f"only bounds are known from {levels} levels, whatever the knee: a threshold {place} and a"
        f" ratio of at least {min(ratio_low, MOST_RATIO):.2g}; smaller steps would tell"
    )


def _time_read(of: str, time_ms: float, periods: float) -> str:
    return f"{of} {time_ms:.3g} ms, {periods:.0f} periods of the tone"


def _sags(then: str, *, seen_db: float, depth_db: float, time_constant_s: float) -> str:
    return (
        f"the gain sags by {seen_db:.2f} dB, towards {depth_db:.2f} dB, with a time constant of"
        f" {time_constant_s:.1f} s, {then}"
    )


def _with_sag_taken_out(of: str, **values: Value) -> str:
    return f"with the sag taken out, {LIMITER_SENTENCES[of](**values)}"


def _in_band(of: str, band_low_hz: float, band_high_hz: float, **values: Value) -> str:
    return f"from {_ends(band_low_hz, band_high_hz)} {LIMITER_SENTENCES[of](**values)}"


def _no_onset(loss_db: float, at_hz: float, onset_db: float, within_db: float = nan) -> str:
    first = f"no third of an octave loses {as_given(onset_db)} dB of gain or more"
    return f"{first}: {_most(loss_db, at_hz, within_db)}"


def _no_band_falls_together(
    loss_db: float, at_hz: float, onset_db: float, within_db: float = nan
) -> str:
    return f"no band loses gain together: {_most(loss_db, at_hz, within_db)}"


def _most(loss_db: float, at_hz: float, within_db: float) -> str:
    return f"the most is {_known(loss_db, within_db)}, around {at_hz:.3g} Hz"


def _bands_fall(
    low_hz: Sequence[float],
    high_hz: Sequence[float],
    loss_db: Sequence[float],
    half_left_below_hz: Sequence[float],
    half_left_above_hz: Sequence[float],
    covers_all: bool,
    rest_change_db: float | None,
) -> str:
    parts = []
    halves = zip(half_left_below_hz, half_left_above_hz, strict=True)
    for low, high, loss, half in zip(low_hz, high_hz, loss_db, halves, strict=True):
        names = [f"{at:.0f} Hz" for at in half if not isnan(at)]
        left = f" (half of it is left at {listed(names)})" if names else ""
        parts.append(f"{_ends(low, high)} together, by {signed(loss)} dB{left}")
    text = f"the gain falls from {' and from '.join(parts)} at the highest drive"
    if covers_all:
        return f"{text}: that is the whole band that can be judged"
    if rest_change_db is None:
        return text
    return f"{text}; the rest changes by {signed(rest_change_db)} dB in the median"


def _between_bands(
    then: str, *, low_hz: float, high_hz: float, lowest_db: float, highest_db: float
) -> str:
    return (
        f"from {_ends(low_hz, high_hz)} the gain changes by {signed(lowest_db)} dB to"
        f" {signed(highest_db)} dB at the highest drive: {then}"
    )


_BLEND = "where the outputs of two bands add it is a blend of both, and it is given to neither"


def _ends(low_hz: float, high_hz: float) -> str:
    return f"{low_hz:.0f} to {high_hz:.0f} Hz"


def _bent_at_differing_drives(tones_hz: Sequence[float], onsets_dbfs: Sequence[float]) -> str:
    each = ", ".join(
        f"{as_given(tone_hz)} Hz {signed(onset)}"
        for tone_hz, onset in zip(tones_hz, onsets_dbfs, strict=True)
    )
    return (
        f"bent at drives that differ with frequency (0.5 dB less gain from, in dBFS: {each}):"
        " a driver, or electronics behind a filter"
    )


def _others_not_bent(tones_hz: Sequence[float]) -> str:
    return (
        f"at {', '.join(map(as_given, tones_hz))} Hz, played as loud, the gain falls by less than"
        " 0.5 dB or without a bent wave: what bends it acts on a part of the band"
    )


def _bent_at_same_drive(
    tones_hz: Sequence[float], lowest_onset_dbfs: float, highest_onset_dbfs: float
) -> str:
    return (
        f"bent at the same drive at {len(tones_hz)} tones from {as_given(min(tones_hz))} to"
        f" {as_given(max(tones_hz))} Hz (0.5 dB less gain from {signed(lowest_onset_dbfs)} to"
        f" {signed(highest_onset_dbfs)} dBFS): that points to electronics before the drivers,"
        " rather than to a driver"
    )


LIMITER_SENTENCES: dict[str, Callable[..., str]] = {
    "bands_fall": _bands_fall,
    "bent_at_differing_drives": _bent_at_differing_drives,
    "bent_at_same_drive": _bent_at_same_drive,
    "bent_gently": _bent_gently,
    "between_bands_blend": partial(_between_bands, _BLEND),
    "between_bands_no_loss": partial(
        _between_bands, "some of it loses next to nothing, and it is given to neither"
    ),
    "between_bands_wide_blend": partial(
        _between_bands,
        f"{_BLEND}; a further limiter between them would not be told apart from that",
    ),
    "clip_fits": _clip_fits,
    "clip_just_begun": _clip_just_begun,
    "coil_warmed": lambda rise_k: (
        f"a copper coil would have warmed by about {rise_k:.0f} K (an estimate)"
    ),
    "crest_factor": _crest_factor,
    "gain_falls_unevenly": _falls_unevenly,
    "gain_falls_wave_bent": _wave_bent,
    "gain_falls_wave_whole": _wave_whole,
    "gain_hardly_falls": _gain_hardly_falls,
    "in_band": _in_band,
    "no_band_falls_together": _no_band_falls_together,
    "no_gain_change_clear": lambda: "no gain change stands clear of the background",
    "no_loss": lambda least_db: (
        f"no third of an octave loses as much as {as_given(least_db)} dB of gain at any level"
    ),
    "no_onset": _no_onset,
    "only_bounds_known": _only_bounds_known,
    "others_not_bent": _others_not_bent,
    "slow_sag": partial(_sags, "far slower than limiters act"),
    "slow_sag_taken_out": partial(_sags, "taken out before the fit"),
    "static_curve_fits": _static_curve_fits,
    "time_not_read": lambda of: f"no {of} could be read",
    "time_not_resolved": lambda of: f"the {of} is shorter than this tone resolves",
    "time_read": _time_read,
    "with_sag_taken_out": _with_sag_taken_out,
}
"""A function of the values for every code; its parameters have the names of the values."""
