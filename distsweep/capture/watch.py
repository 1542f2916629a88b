"""Watching the microphone while a rung plays: stop when it is not what was predicted.

The rule, for windows of 20 ms, from 0.2 s into a rung's sweep to its end:

- too loud: more than 6 dB above the upper prediction, which is the first rung (before it: the
  probe) scaled linearly to this drive. Where that prediction lies more than 15 dB under the
  rung's own mean, the place 15 dB under stands for it: in a notch, or below the loudspeaker's
  range, harmonics may well be louder than the fundamental.
- too quiet: more than 6 dB below the lower prediction. That is what the rung before gave at
  the same instant, unscaled: a limiter, or a voice coil that is hot, may keep a louder drive
  from becoming louder, but nothing healthy makes it 6 dB quieter than a softer drive was. For
  the first rung it is the scaled probe. Nothing is too quiet where the lower prediction is
  more than 15 dB under its own mean, nor where it rests on a recording that stood less than
  20 dB above the background: rumble in that is no promise. For the same reason nothing is too
  quiet more than an octave below the level band, and 6 dB under the rung's mean, not 15, stand
  for what lies lower there.

Distortion is a part of its own, see ``distress``.

At any time, also before the sweep: a level over 125 ms that passes what was confirmed by 0.5 dB;
20 ms louder than that by 6 dB; two clipped samples; input without a sign of life. Everything
here is arithmetic on arrays: no device, no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from distsweep.takes.recording import CLIPPED_FROM, SILENT_PEAK
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db
from distsweep.words.wording import with_sign

HOP_S = 0.005
WINDOW_HOPS = 4
"""Levels are taken over 20 ms, four hops, every 5 ms (chosen: with a fade of 10 ms and blocks of up
to 15 ms, a stop is complete within 50 ms of audio)."""

OFF_BY_DB = 6.0
"""A level this far from its prediction stops a rung (a requirement of the safeguards)."""

OVER_DB = 0.5
"""The level over 125 ms may pass what was confirmed by this (chosen: by the time the fade acts, the
excess is still within 1 dB)."""

LEVEL_HOPS = 25
"""Levels are RMS values over 125 ms: the time constant F of IEC 61672-1 (from memory)."""

NOT_BEFORE_S = 0.2
"""A rung's beginning that is not compared (a requirement of the safeguards)."""

LEAST_BELOW_BAND_DB = 6.0
"""More than an octave below the level band, the upper prediction is no less than the rung's mean
less this (chosen: below a small loudspeaker's range a room's rumble comes in waves that a
background of under a second does not show)."""

LEAST_OF_MEAN_DB = 15.0
"""Elsewhere the upper prediction is no less than the mean less this; and where the lower one lies
further under its own mean, nothing is too quiet (chosen: deeper notches fill up with harmonics,
reverberation and noise)."""

NOISE_PEAKS, NOISE_MEAN_HOPS = 6.0, 40
"""A window of narrow-band noise exceeds its mean over 200 ms sixfold once in 400 windows (its power
is distributed exponentially): this much of a prediction may be noise."""

QUIET_QUESTION = ": has something come loose, or switched itself off?"
"""What the tester is asked where it is too quiet."""

SILENT_HOPS = 6
"""30 ms below −120 dBFS (chosen: no microphone is that quiet; it is unplugged or muted)."""


@dataclass(frozen=True)
class Stop:
    """Why a rung was stopped, and at which recorded sample that was noticed.

    Of what was too "loud" the message says only how loud it was; ``cause`` adds what it was.
    ``kind`` is "loud", "quiet", "clipped", "silent", "unheard", "interrupted", "device",
    "dropout", "distorted", "moved" or "broken".
    """

    kind: str
    message: str
    sample: int | None = None


@dataclass(frozen=True)
class Bounds:
    """Least and largest energy of each window of a rung, one a hop, from the sweep's start.

    Attributes
    ----------
    lower, upper : sums of squares over a window that ends with this hop, shape ``(H,)``; 0
        and inf where nothing is compared.
    expected : what was predicted, shape ``(H,)``, for display.
    """

    lower: FloatArray
    upper: FloatArray
    expected: FloatArray


def bounds(
    upper_wave: FloatArray,
    lower_wave: FloatArray | None,
    *,
    rate_hz: float,
    noise_power: float,
    noise_wave: FloatArray | None = None,
    below_band: BoolArray | None = None,
) -> Bounds:
    """Turn predicted recordings of a sweep into bounds on each window's energy.

    Parameters
    ----------
    upper_wave, lower_wave : predictions from the sweep's start on, shape ``(S,)`` both; without
        a lower one nothing is too quiet.
    noise_power : mean square of the background; it comes on top of the upper prediction.
    noise_wave : the part of the lower prediction that may be noise, shape ``(S,)``.
    below_band : hops in which the sweep is more than an octave below the level band.
    """
    hop = round(HOP_S * rate_hz)
    upper, window = window_sums(hop_energies(upper_wave, hop)), WINDOW_HOPS * hop
    factor = float(db_to_power(OFF_BY_DB))
    # One hop to either side: arrival and clock are known to a few milliseconds only.
    below = np.zeros(len(upper), dtype=bool) if below_band is None else below_band[: len(upper)]
    least_db = np.where(below, LEAST_BELOW_BAND_DB, LEAST_OF_MEAN_DB)
    least = window * np.mean(upper_wave**2) * db_to_power(-least_db)
    loudest = np.maximum(_neighbours(upper).max(axis=0), least)
    first = round(NOT_BEFORE_S / HOP_S) + WINDOW_HOPS
    upper_bound = factor * (loudest + window * noise_power)
    upper_bound[:first] = np.inf
    lower_bound = np.zeros(len(upper))
    if lower_wave is not None:
        lower = window_sums(hop_energies(lower_wave, hop))
        if noise_wave is not None:
            noise = window_sums(hop_energies(noise_wave, hop))
            lower = lower - NOISE_PEAKS * _running_mean(noise, NOISE_MEAN_HOPS)
        quietest = _neighbours(lower).min(axis=0)
        least_compared = window * float(np.mean(lower_wave**2) * db_to_power(-LEAST_OF_MEAN_DB))
        lower_bound = np.where((quietest >= least_compared) & ~below, quietest / factor, 0.0)
        lower_bound[:first] = 0.0
    return Bounds(lower_bound, upper_bound, upper)


class Follows(Protocol):
    """What a watch asks of a part that looks at the recording itself, as ``Distress`` does."""

    def look(self, recorded: FloatArray, end: int, sweep_at: int | None) -> Stop | None:
        """Judge ``recorded[:end]``; ``sweep_at`` is where the sweep starts, if that is known."""
        ...


class Watch:
    """Follows a recording as it grows.

    Attributes
    ----------
    sweep_at : recorded sample at which the sweep starts; None until it is known.
    stop : the first reason found to stop, or None.
    """

    def __init__(
        self,
        *,
        rate_hz: float,
        loudest_power: float,
        level_power: float,
        expected: Bounds | None,
        deviation_power: FloatArray | None = None,
        distress: Follows | None = None,
    ) -> None:
        """Prepare.

        Parameters
        ----------
        loudest_power : mean square over 20 ms above which anything is too loud.
        level_power : mean square over 125 ms above which anything is too loud.
        expected : bounds on the rung's windows; None for a probe.
        deviation_power : the microphone's deviation as a power ratio for each hop of the sweep:
            where it reads high, it may; None for a flat one.
        distress : looks for distortion while the rung plays.
        """
        self._hop = round(HOP_S * rate_hz)
        self._loudest_energy = loudest_power * WINDOW_HOPS * self._hop
        self._level_energy = level_power * LEVEL_HOPS * self._hop
        self._deviation_power = deviation_power
        self._expected = expected
        self._distress = distress
        self._hops = 0
        self._energies = [0.0] * LEVEL_HOPS
        self._silent = 0
        self._clipped = 0
        self.sweep_at: int | None = None
        self.stop: Stop | None = None

    def look(self, recorded: FloatArray, count: int) -> Stop | None:
        """Judge what has come in; ``recorded[:count]`` is valid, shape ``(samples,)``."""
        while self.stop is None and (self._hops + 1) * self._hop <= count:
            first = self._hops * self._hop
            self._judge(recorded[first : first + self._hop], first + self._hop)
            if self.stop is None and self._distress is not None:
                self.stop = self._distress.look(recorded, first + self._hop, self.sweep_at)
            self._hops += 1
        return self.stop

    def level_power(self) -> float:
        """Return the mean square over the latest window."""
        return sum(self._energies[-WINDOW_HOPS:]) / (WINDOW_HOPS * self._hop)

    def expected_power(self) -> float | None:
        """Return the mean square predicted for the latest window; None outside the sweep."""
        place = self._place(self._hops * self._hop)
        if self._expected is None or place is None:
            return None
        return float(self._expected.expected[place]) / (WINDOW_HOPS * self._hop)

    def _judge(self, hop: FloatArray, end: int) -> None:
        peak = max(float(hop.max()), -float(hop.min()))
        energy = float(np.dot(hop, hop))
        self._energies = [*self._energies[1:], energy]
        total = sum(self._energies[-WINDOW_HOPS:])
        if not np.isfinite(total):
            self.stop = Stop("device", "the input delivers what is not a number", end)
        elif peak >= CLIPPED_FROM and self._is_clipped(hop):
            self.stop = Stop("clipped", "the input clips: lower its gain, calibrate again", end)
        elif self._passes_level(total, end):
            self.stop = Stop("loud", "the microphone hears more than was confirmed", end)
        else:
            self._judge_silence(peak, end)
            self._compare(total, end)

    def _passes_level(self, total: float, end: int) -> bool:
        """Tell whether the level over 20 ms or over 125 ms is above what was confirmed."""
        place = self._place(end)
        deviation = 1.0
        if self._deviation_power is not None:
            inside = place is not None and place < len(self._deviation_power)
            deviation = float(
                self._deviation_power[place] if inside else np.max(self._deviation_power)
            )
        loudest, level = self._loudest_energy * deviation, self._level_energy * deviation
        return total > loudest or sum(self._energies) > level

    def _is_clipped(self, hop: FloatArray) -> bool:
        self._clipped += int(np.count_nonzero(np.abs(hop) >= CLIPPED_FROM))
        return self._clipped >= 2

    def _judge_silence(self, peak: float, end: int) -> None:
        self._silent = self._silent + 1 if peak < SILENT_PEAK else 0
        if self.sweep_at is not None and self._silent >= SILENT_HOPS:
            self.stop = Stop(
                "silent", "the input has gone dead: is the microphone plugged in?", end
            )

    def _place(self, end: int) -> int | None:
        if self.sweep_at is None or self._expected is None:
            return None
        place = round((end - self.sweep_at) / self._hop) - 1
        return place if 0 <= place < len(self._expected.lower) else None

    def _compare(self, total: float, end: int) -> None:
        place = self._place(end)
        if self.stop is not None or place is None or self._expected is None:
            return
        predicted = float(self._expected.expected[place])
        if total > self._expected.upper[place]:
            self.stop = off_prediction("loud", total, predicted, end)
        elif total < self._expected.lower[place]:
            self.stop = off_prediction("quiet", total, predicted, end, QUIET_QUESTION)


def off_prediction(kind: str, heard: float, predicted: float, end: int, more: str = "") -> Stop:
    """Return the stop for a level, heard and predicted as powers, that is off its prediction."""
    off_db = float(power_to_db(max(heard, 1e-30) / max(predicted, 1e-30)))
    return Stop(kind, f"the microphone hears {with_sign(off_db)} dB re the prediction{more}", end)


def hop_energies(wave: FloatArray, hop: int) -> FloatArray:
    """Sum of squares of each whole hop of a wave."""
    hops = len(wave) // hop
    return np.asarray(np.sum(wave[: hops * hop].reshape(hops, hop) ** 2, axis=1))


def window_sums(hops: FloatArray) -> FloatArray:
    """Sum over the window that ends with each hop; before the first there is nothing."""
    running = np.concatenate([np.zeros(WINDOW_HOPS), np.cumsum(hops)])
    return np.asarray(running[WINDOW_HOPS:] - running[:-WINDOW_HOPS])


def _neighbours(energies: FloatArray) -> FloatArray:
    padded = np.pad(energies, 1, mode="edge")
    return np.stack([padded[:-2], padded[1:-1], padded[2:]])


def _running_mean(values: FloatArray, length: int) -> FloatArray:
    """Mean over ``length`` values around each; at the ends over those there are."""
    running = np.concatenate([[0.0], np.cumsum(values)])
    places = np.arange(len(values))
    first = np.maximum(places - length // 2, 0)
    last = np.minimum(places + length // 2 + 1, len(values))
    return np.asarray((running[last] - running[first]) / (last - first))
