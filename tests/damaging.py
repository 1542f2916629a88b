"""What happens to recordings on their way: eleven kinds of damage, made on purpose.

Each function takes a whole recording and what is known of its layout, and returns the damaged
recording with an account of what was done. Times are those of the damaged recording. Sizes run
from just audible to gross, places over the whole recording: pauses, markers and silence too.
Nothing here uses the package's signal processing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.signal


@dataclass(frozen=True)
class Span:
    """One sweep in a recording: the row of its level, and its first and last sample."""

    row: int
    first: int
    end: int


@dataclass(frozen=True)
class Scene:
    """What a generator may know of a recording.

    ``rms`` is that of the loudest sweep, ``quiet_rms`` that of the background.
    """

    rate_hz: int
    spans: tuple[Span, ...]
    rms: float
    quiet_rms: float

    def rows(self, first: int, end: int) -> tuple[int, ...]:
        """Return the rows of the sweeps that a stretch of samples touches."""
        rows = {span.row for span in self.spans if span.first < end and first < span.end}
        return tuple(sorted(rows))


@dataclass(frozen=True)
class Inflicted:
    """What was done to a recording.

    Attributes
    ----------
    kind : as in ``distsweep.results.Damage``.
    sort : more closely, of kinds that come in several.
    start_s, end_s : of the damaged recording; of what goes on to its end, that end.
    rows : of the sweeps that are touched.
    samples : length of a block that was muted, repeated or lost.
    size : in the unit that ``unit`` names.
    stretches_s : when the recording is not what it was, if that is not from start to end: of a
        clipping each sweep's own stretch.
    moved_samples : by how many samples later what comes after arrives (negative: earlier).
    gains : least and greatest gain that the recording was given, 1 being that of its beginning.
    """

    kind: str
    sort: str
    start_s: float
    end_s: float
    rows: tuple[int, ...]
    samples: int | None = None
    size: float = 0.0
    unit: str = ""
    stretches_s: tuple[tuple[float, float], ...] = ()
    moved_samples: int = 0
    gains: tuple[float, float] = (1.0, 1.0)

    def text(self) -> str:
        """Return it in a line."""
        rows = ",".join(str(row) for row in self.rows) or "none"
        length = "" if self.samples is None else f", {self.samples} samples"
        return (
            f"{self.kind} ({self.sort}) {self.start_s:.4f} to {self.end_s:.4f} s, rung {rows}"
            f"{length}, {self.size:.4g} {self.unit}"
        )


Damaged = tuple[np.ndarray, Inflicted]


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw from a range, each octave of it as likely as the next."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _place(heard: np.ndarray, rng: np.random.Generator, length: int) -> int:
    return int(rng.integers(1, len(heard) - length - 1))


def _account(scene: Scene, kind: str, sort: str, first: int, end: int) -> Inflicted:
    rate = scene.rate_hz
    return Inflicted(kind, sort, first / rate, end / rate, scene.rows(first, end))


def _added(heard: np.ndarray, first: int, sound: np.ndarray) -> np.ndarray:
    out = heard.copy()
    out[first : first + len(sound)] += sound[: len(out) - first]
    return out


def click(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """A few samples that are not what was heard; 0.01 to 5 times the loudest sweep's RMS."""
    length = int(rng.integers(1, 25))
    size = between(rng, 0.01, 5.0)
    sound = rng.standard_normal(length) * np.exp(-np.arange(length) / rng.uniform(1.0, 20.0))
    sound *= size * scene.rms / np.max(np.abs(sound))
    first = _place(heard, rng, length)
    done = _account(scene, "click", "added", first, first + length)
    return _added(heard, first, sound), replace(done, size=size, unit="RMS")


def knock(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """A decaying burst of 30 to 400 Hz, 5 to 200 ms, in half of them with a broad-band onset."""
    decay_s = between(rng, 0.005, 0.2) / 3.0
    time_s = np.arange(round(3.0 * decay_s * scene.rate_hz)) / scene.rate_hz
    size = between(rng, 0.01, 2.0)
    ring = np.sin(2.0 * np.pi * between(rng, 30.0, 400.0) * time_s)
    sort = "dull"
    if rng.random() < 0.5:
        sort = "hard"
        ring += 0.5 * rng.standard_normal(len(ring)) * np.exp(-time_s / (0.1 * decay_s))
    sound = ring * np.exp(-time_s / decay_s)
    sound *= size * scene.rms / np.max(np.abs(sound))
    first = _place(heard, rng, len(sound))
    done = _account(scene, "knock", sort, first, first + len(sound))
    return _added(heard, first, sound), replace(done, size=size, unit="RMS")


def noise(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """Talk (150 Hz to 5 kHz, in syllables) or a car (below 400 Hz, slowly), for 0.3 to 4 s."""
    length = min(round(between(rng, 0.3, 4.0) * scene.rate_hz), len(heard) // 2)
    time_s = np.arange(length) / scene.rate_hz
    raw = rng.standard_normal(length)
    sort = "talk" if rng.random() < 0.5 else "car"
    if sort == "talk":
        band = scipy.signal.butter(2, [150.0, 5000.0], "band", fs=scene.rate_hz, output="sos")
        beats = np.sin(np.pi * rng.uniform(2.0, 5.0) * time_s + rng.uniform(0.0, np.pi))
        envelope = np.abs(beats)
    else:
        band = scipy.signal.butter(2, [20.0, 400.0], "band", fs=scene.rate_hz, output="sos")
        envelope = np.sin(np.pi * time_s / time_s[-1])
    sound = scipy.signal.sosfilt(band, raw) * envelope
    least = min(2.0 * scene.quiet_rms / scene.rms, 0.1)
    size = between(rng, least, 0.3)
    sound *= size * scene.rms / np.std(sound)
    first = _place(heard, rng, length)
    done = _account(scene, "noise", sort, first, first + length)
    return _added(heard, first, sound), replace(done, size=size, unit="RMS")


def muted(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """8 to 1024 samples that are zero, or hold the value before them."""
    length = round(between(rng, 8, 1024))
    first = _place(heard, rng, length)
    sort = "zero" if rng.random() < 0.6 else "held"
    out = heard.copy()
    out[first : first + length] = 0.0 if sort == "zero" else heard[first - 1]
    done = _account(scene, "muted", sort, first, first + length)
    return out, replace(done, samples=length, size=length, unit="samples")


def repeated(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """A block of 16 to 4096 samples heard twice: inserted, or in place of the next."""
    length = round(between(rng, 16, 4096))
    first = length + _place(heard, rng, 2 * length)
    block = heard[first - length : first]
    sort = "inserted" if rng.random() < 0.5 else "in place"
    rest = heard[first:] if sort == "inserted" else heard[first + length :]
    done = _account(scene, "repeated", sort, first, first + length)
    moved = length if sort == "inserted" else 0
    return np.concatenate([heard[:first], block, rest]), replace(
        done, samples=length, size=length, unit="samples", moved_samples=moved
    )


def lost(
    heard: np.ndarray,
    scene: Scene,
    rng: np.random.Generator,
    *,
    length: int | None = None,
    first: int | None = None,
) -> Damaged:
    """A block of 16 to 4096 samples that is not there."""
    length = round(between(rng, 16, 4096)) if length is None else length
    first = _place(heard, rng, length) if first is None else first
    done = _account(scene, "lost", "buffer", first, first + 1)
    done = replace(done, end_s=first / scene.rate_hz)
    return np.concatenate([heard[:first], heard[first + length :]]), replace(
        done, samples=length, size=length, unit="samples", moved_samples=-length
    )


def gain_step(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """From a moment on the recorder's gain is another, by 0.3 to 12 dB."""
    step_db = between(rng, 0.3, 12.0) * float(rng.choice([-1.0, 1.0]))
    first = _place(heard, rng, 1000)
    ramp = int(rng.choice([1, 48, 480]))
    gain_db = step_db * np.clip((np.arange(len(heard)) - first) / ramp, 0.0, 1.0)
    done = _account(scene, "gain_step", f"over {ramp} samples", first, first + ramp)
    gain = 10.0 ** (step_db / 20.0)
    return heard * 10.0 ** (gain_db / 20.0), replace(
        done, size=step_db, unit="dB", gains=(min(1.0, gain), max(1.0, gain))
    )


def automatic_gain(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """A compressor in the recorder turns all down by 2 to 20 dB, the background too.

    The level is that of the squares over 5 ms, the gain in dB follows with one time constant for
    attack (5 to 200 ms) and another for release (0.3 to 5 s).
    """
    step = scene.rate_hz // 1000
    count = len(heard) // step
    power = np.mean(heard[: count * step].reshape(count, step) ** 2, axis=1)
    power = scipy.signal.lfilter([0.2], [1.0, -0.8], power)
    level_db = 10.0 * np.log10(np.maximum(power, 1e-20))
    range_db = between(rng, 2.0, 20.0)
    slope = 1.0 - 1.0 / float(rng.choice([2.0, 4.0, 20.0]))
    threshold_db = 20.0 * np.log10(scene.rms) - range_db / slope
    wanted_db = np.clip(slope * (threshold_db - level_db), -range_db, 0.0)
    attack_s, release_s = between(rng, 0.005, 0.2), between(rng, 0.3, 5.0)
    keep_attack, keep_release = (np.exp(-1e-3 / time_s) for time_s in (attack_s, release_s))
    gain_db, now_db = np.zeros(count), 0.0
    for i, goal_db in enumerate(wanted_db.tolist()):
        keep = keep_attack if goal_db < now_db else keep_release
        now_db = goal_db + keep * (now_db - goal_db)
        gain_db[i] = now_db
    at = np.arange(count) * step
    gain = 10.0 ** (np.interp(np.arange(len(heard)), at, gain_db) / 20.0)
    acts = np.flatnonzero(gain_db < -0.05)
    first = int(at[acts[0]]) if len(acts) else 0
    done = _account(scene, "automatic_gain", f"{attack_s:.3f}/{release_s:.2f} s", first, len(heard))
    return heard * gain, replace(
        done, size=float(-np.min(gain_db)), unit="dB", gains=(float(np.min(gain)), 1.0)
    )


def clipped(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """A flat top 0.1 to 10 dB under the highest peak; in two of three something weak comes after.

    That is a gain, or a filter that takes off the lowest frequencies, or dither.
    """
    below_db = between(rng, 0.1, 10.0)
    limit = float(np.max(np.abs(heard))) * 10.0 ** (-below_db / 20.0)
    out = np.clip(heard, -limit, limit)
    touched = np.flatnonzero(np.abs(heard) > limit)
    sort = str(rng.choice(["plain", "filtered", "dithered"]))
    if sort == "filtered":
        sos = scipy.signal.butter(1, between(rng, 0.5, 5.0), "high", fs=scene.rate_hz, output="sos")
        out = scipy.signal.sosfilt(sos, out)
    elif sort == "dithered":
        out = out + limit * 2.0**-16 * rng.uniform(-1.0, 1.0, len(out))
    rate = scene.rate_hz
    stretches = []
    for span in scene.spans:
        inside = touched[(touched >= span.first) & (touched < span.end)]
        if len(inside):
            stretches.append((inside[0] / rate, (inside[-1] + 1) / rate))
    rows = {s.row for s in scene.spans if np.any((touched >= s.first) & (touched < s.end))}
    return out, Inflicted(
        "clipped", sort, touched[0] / rate, (touched[-1] + 1) / rate, tuple(sorted(rows)),
        size=below_db, unit="dB", stretches_s=tuple(stretches),
    )  # fmt: skip


def dc_step(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """From a moment on the zero line lies elsewhere, by 0.001 to 0.1 of the peak."""
    size = between(rng, 0.001, 0.1)
    first = _place(heard, rng, 1)
    offset = size * float(np.max(np.abs(heard))) * float(rng.choice([-1.0, 1.0]))
    sound = np.full(len(heard) - first, offset)
    sort = "stays"
    if rng.random() < 0.5:
        sort = "blocked"
        sound *= np.exp(-np.arange(len(sound)) / (between(rng, 0.02, 0.5) * scene.rate_hz))
    done = _account(scene, "dc_step", sort, first, first + 1)
    return _added(heard, first, sound), replace(done, size=size, unit="peak")


def hum(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """50 or 60 Hz with harmonics that comes at one moment, or goes."""
    base_hz = float(rng.choice([50.0, 60.0])) * (1.0 + 2e-4 * rng.standard_normal())
    time_s = np.arange(len(heard)) / scene.rate_hz
    sound = np.zeros(len(heard))
    for number in range(1, int(rng.integers(4, 20))):
        share = rng.uniform(0.1, 1.0) / number
        sound += share * np.sin(2.0 * np.pi * (number * base_hz * time_s + rng.random()))
    size = between(rng, 0.002, 0.2)
    sound *= size * scene.rms / np.std(sound)
    moment = int(rng.uniform(0.1, 0.9) * len(heard))
    sort = "comes" if rng.random() < 0.5 else "goes"
    on = slice(moment, None) if sort == "comes" else slice(0, moment)
    out = heard.copy()
    out[on] += sound[on]
    ends = (moment, len(heard)) if sort == "comes" else (0, moment)
    done = _account(scene, "hum", sort, *ends)
    return out, replace(done, size=size, unit="RMS")


def resampled_at(heard: np.ndarray, place: np.ndarray, *, taps: int = 48) -> np.ndarray:
    """Return a signal between its samples, by a windowed sinc (Kaiser, −120 dB up to 20 kHz).

    The sinc is tabulated in 4096 steps a sample, and straight between them (7e-8 at most).
    """
    half, steps = taps // 2, 4096
    distance = np.arange(1 - half, half + 1)[:, None] - np.linspace(0.0, 1.0, steps + 1)
    window = np.i0(12.0 * np.sqrt(np.maximum(1.0 - (distance / half) ** 2, 0.0))) / np.i0(12.0)
    table = np.sinc(distance) * window
    whole = np.floor(place).astype(np.int64)
    within = steps * (place - whole)
    row = np.minimum(within.astype(np.int64), steps - 1)
    share = within - row
    padded = np.concatenate([np.zeros(half), heard, np.zeros(half + 1)])
    first = np.clip(whole + 1, 0, len(heard))
    out = np.zeros(len(place))
    for tap in range(taps):
        kernel = table[tap, row] + share * (table[tap, row + 1] - table[tap, row])
        out += kernel * padded[first + tap]
    return out


def clock(heard: np.ndarray, scene: Scene, rng: np.random.Generator) -> Damaged:
    """A clock that sways (5 to 200 µs), strays at random, or changes its rate (5 to 500 ppm)."""
    count = np.arange(len(heard))
    time_s = count / scene.rate_hz
    sort = str(rng.choice(["sways", "strays", "changes rate"]))
    first, end = 0, len(heard)
    if sort == "changes rate":
        size, unit = between(rng, 5.0, 500.0) * float(rng.choice([-1.0, 1.0])), "ppm"
        first = int(rng.uniform(0.1, 0.9) * len(heard))
        end = first
        late_s = 1e-6 * size * np.maximum(time_s - first / scene.rate_hz, 0.0)
    else:
        size, unit = between(rng, 5.0, 200.0), "us"
        if sort == "sways":
            way = np.sin(2.0 * np.pi * (time_s / between(rng, 2.0, 30.0) + rng.random()))
        else:
            steps = np.cumsum(rng.standard_normal(int(time_s[-1] * 10.0) + 3))
            way = scipy.signal.resample_poly(steps - steps[0], 100, 1)
            way = np.interp(time_s, np.arange(len(way)) / 1000.0, way)
            way -= np.linspace(way[0], way[-1], len(way))
        late_s = 1e-6 * size * way / np.max(np.abs(way))
    place = count - scene.rate_hz * late_s
    done = _account(scene, "clock", sort, first, max(end, first + 1))
    return resampled_at(heard, place), replace(
        done, end_s=end / scene.rate_hz, size=size, unit=unit
    )


KINDS: dict[str, Callable[[np.ndarray, Scene, np.random.Generator], Damaged]] = {
    "click": click,
    "knock": knock,
    "noise": noise,
    "muted": muted,
    "repeated": repeated,
    "lost": lost,
    "gain_step": gain_step,
    "automatic_gain": automatic_gain,
    "clipped": clipped,
    "dc_step": dc_step,
    "hum": hum,
    "clock": clock,
}
"""Every kind; knocks and louder background share one turn of the eleven (``drawn``)."""


def drawn(
    heard: np.ndarray, scene: Scene, rng: np.random.Generator, *, kind: str, number: int
) -> Damaged:
    """Damage a recording: of a kind, or of the eleven in turn where ``kind`` is "".

    Every other time that the turn is a knock's, it is a louder background.
    """
    if not kind:
        turn = [name for name in KINDS if name != "noise"]
        kind = turn[number % len(turn)]
        if kind == "knock" and number // len(turn) % 2:
            kind = "noise"
    return KINDS[kind](heard, scene, rng)
