"""What would make THD known, as a sentence."""

from __future__ import annotations

from distsweep.results import ThdAdvice
from distsweep.words.wording import as_given, decibels, drive, frequency_range


def advice_sentence(advice: ThdAdvice) -> str:
    """Say how far a rung's THD is known, and what would make it so."""
    level = drive(advice.drive_dbfs)
    if advice.spl_db is not None:
        level = f"{decibels(advice.spl_db, 'dB SPL')} ({level})"
    known = (
        f"THD from {frequency_range(advice.low_hz, advice.high_hz)} at {level} is known within"
        f" 1.5 dB in {advice.bands_known} of {advice.bands} thirds of an octave"
    )
    if advice.beside_modes:
        known += ", what the sweep passes too fast left out of account"
    return f"{known}{_remedy(advice)}."


def _remedy(advice: ThdAdvice) -> str:
    ways = []
    if advice.repeats is not None:
        ways.append(f"{advice.repeats} repeats")
    if advice.sweep_s is not None:
        ways.append(f"sweeps of {as_given(advice.sweep_s)} s")
    if ways:
        named = " or ".join(ways)
        if advice.at_least:
            return f"; nine tenths of them take at least {named}, and may take more"
        return f"; with {named} it would be in nine tenths of them"
    too_long = "; ten minutes of sweeps would not do"
    if advice.noise_fall_db is None:  # something other than noise is in the way
        return f"{too_long}, nor would a far quieter room"
    least = "at least " if advice.at_least else ""
    too_noisy = "there is too much noise for this level"
    return f"{too_long}: {too_noisy}, by {least}{decibels(advice.noise_fall_db, decimals=0)}"
