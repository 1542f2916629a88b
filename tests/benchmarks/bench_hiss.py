"""Whether the interval of a loudspeaker's hiss holds the truth, in rooms that wander.

    python tests/benchmarks/bench_hiss.py SEED [--sessions N] [--minutes M]

Each session has five pairs of recordings, the loudspeaker on and off, near the tweeter: hiss from
10 dB above to 10 dB below the room's noise, A-weighted. The room wanders by 1 dB (standard
deviation): from recording to recording and within each, slowly all the time, or in steps as
ventilation does; its bass apart from the rest. One session in five has a knock in a recording.

Per 5 dB: how many intervals hold the truth, their half-widths, how far the upper end lies above the
truth, how many are "at most". Truth comes from the spectra that the noise is made with.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distsweep.analysis.noise.hiss import HissPower, hiss_power
from distsweep.analysis.noise.third_octave_levels import NoiseLevels, noise_levels
from distsweep.capture.background_judge import what_disturbed
from distsweep.capture.background_takes import states_of_pair

RATE_HZ, SECONDS, PAIRS = 24000, 10, 5
MOMENTS = 20  # of a recording, between which a room's level is interpolated
BASS_HZ = 500.0
WANDER_DB = 1.0
KNOCK_SHARE = 0.2

COUNT = RATE_HZ * SECONDS
BINS_HZ = np.fft.rfftfreq(COUNT, 1.0 / RATE_HZ)


@dataclass(frozen=True)
class Session:
    """What was drawn, and what was found: powers re a mean square of one half."""

    ratio_db: float
    wander: str
    truth: float
    found: HissPower


def a_weight(f: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power weighting A by the formula of IEC 61672-1, annex E, 1 at 1 kHz."""

    def bare(f: NDArray[np.float64]) -> NDArray[np.float64]:
        above = 12194.217**2 * f**4
        below = (f**2 + 20.598997**2) * (f**2 + 12194.217**2)
        return (above / below) ** 2 / ((f**2 + 107.65265**2) * (f**2 + 737.86223**2))

    return np.asarray(bare(f) / bare(np.array(1000.0)))


def a_weighted(spectrum: NDArray[np.float64]) -> float:
    """A-weighted sum of a power spectrum over the thirds from 20 Hz that the rate holds."""
    inside = (BINS_HZ >= 17.78) & (BINS_HZ <= 11220.0)
    return float(np.sum(spectrum[inside] * a_weight(BINS_HZ[inside])))


def room_spectrum(rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw pink, brown, or ventilation: pink to 500 Hz, then falling by 9 dB an octave."""
    f = np.maximum(BINS_HZ, 15.0)
    slope = {"pink": 1.0, "brown": 2.0, "ventilation": 1.0}
    kind = str(rng.choice(list(slope)))
    spectrum = f ** -slope[kind]
    if kind == "ventilation":
        spectrum = spectrum / (1.0 + (f / 500.0) ** 2)
    # A microphone's own noise, even over frequency, 20 dB below the room's.
    return np.asarray(spectrum / a_weighted(spectrum) + 0.01 / a_weighted(np.ones_like(f)))


def hiss_spectrum(rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw a tweeter's hiss: even above its crossover, with a tilt, and a woofer's below."""
    corner_hz = rng.uniform(1200.0, 3500.0)
    high = 1.0 / (1.0 + (corner_hz / np.maximum(BINS_HZ, 1.0)) ** 4)
    tilt = (np.maximum(BINS_HZ, 15.0) / 5000.0) ** rng.uniform(-0.5, 0.5)
    spectrum = high * tilt + 10.0 ** rng.uniform(-3.0, -1.0) * (1.0 - high)
    return np.asarray(spectrum / a_weighted(spectrum))


def wander_db(kind: str, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw a room's level in moments of all recordings, shape ``(2·PAIRS, MOMENTS)``."""
    shape = 2 * PAIRS, MOMENTS
    if kind == "recordings":
        within = np.cumsum(rng.standard_normal(shape), axis=1)
        within -= within.mean(axis=1, keepdims=True)
        within *= 0.5 * WANDER_DB / np.std(within)
        return np.asarray(within + WANDER_DB * rng.standard_normal((shape[0], 1)))
    if kind == "drift":
        slow = np.cumsum(rng.standard_normal(shape[0] * MOMENTS))
        slow = (slow - slow.mean()) / slow.std() * WANDER_DB
        return np.asarray(slow.reshape(shape) + 0.3 * rng.standard_normal((shape[0], 1)))
    steps = np.zeros(shape[0] * MOMENTS)
    for place in rng.integers(0, len(steps), rng.integers(1, 5)):
        steps[place:] += rng.choice((-1.0, 1.0)) * rng.uniform(0.5, 2.0)
    steps *= WANDER_DB / max(float(np.std(steps)), 0.3)
    return np.asarray(steps.reshape(shape) + 0.3 * rng.standard_normal((shape[0], 1)))


def noise(spectrum: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Gaussian noise with a power spectrum whose sum is twice its mean square."""
    size = np.sqrt(spectrum) * COUNT / 2.0 / np.sqrt(2.0)
    turned = rng.standard_normal(len(size)) + 1j * rng.standard_normal(len(size))
    return np.fft.irfft(size * turned, COUNT)


def recording(
    room: NDArray[np.float64],
    gains_db: NDArray[np.float64],
    hiss: NDArray[np.float64] | None,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """One recording; ``gains_db`` are the wandering of bass and rest, shape ``(2, MOMENTS)``."""
    places = np.linspace(0.0, COUNT - 1.0, MOMENTS)
    bass = BINS_HZ < BASS_HZ
    samples = np.zeros(COUNT)
    for part, part_db in zip((bass, ~bass), gains_db, strict=True):
        gain = 10.0 ** (np.interp(np.arange(COUNT), places, part_db) / 20.0)
        samples += gain * noise(room * part, rng)
    return samples if hiss is None else samples + noise(hiss, rng)


def with_knock(samples: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Add a knock: a burst of noise that decays within a tenth of a second."""
    first = int(rng.integers(0, COUNT - RATE_HZ))
    t = np.arange(RATE_HZ) / RATE_HZ
    knock = rng.standard_normal(RATE_HZ) * np.exp(-t / 0.05)
    out = samples.copy()
    out[first : first + RATE_HZ] += np.std(samples) * rng.uniform(3.0, 30.0) * knock
    return out


def draw_session(rng: np.random.Generator) -> Session:
    """Draw a loudspeaker and a room, record five pairs, and find the hiss."""
    ratio_db = float(rng.uniform(-10.0, 10.0))
    kind = str(rng.choice(["recordings", "drift", "steps"]))
    room, hiss = room_spectrum(rng), hiss_spectrum(rng) * 10.0 ** (ratio_db / 10.0)
    gains_db = np.stack([wander_db(kind, rng), wander_db(kind, rng)], axis=1)
    knocked = int(rng.integers(2 * PAIRS)) if rng.random() < KNOCK_SHARE else None
    levels: dict[str, list[NoiseLevels]] = {"on": [], "off": []}
    for number in range(2 * PAIRS):
        state = states_of_pair(number // 2)[number % 2]
        heard = recording(room, gains_db[number], hiss if state == "on" else None, rng)
        if number == knocked:
            disturbed = with_knock(heard, rng)
            # Capture offers a recording again in which it notices a knock.
            noticed = what_disturbed(disturbed / 100.0, rate_hz=RATE_HZ) is not None
            heard = heard if noticed and rng.random() < 0.5 else disturbed
        found = noise_levels(heard, rate_hz=RATE_HZ, correction_db=np.zeros_like)
        assert found is not None
        levels[state].append(found)
    return Session(ratio_db, kind, a_weighted(hiss), hiss_power(levels["on"], levels["off"]))


def db(power: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Decibels of a power; −inf for none."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(power))


def report(name: str, sessions: list[Session]) -> None:
    """Print one row: coverage, half-widths, upper ends."""
    if not sessions:
        return
    low, high, truth = (
        np.array(values)
        for values in zip(
            *((s.found.a_weighted_low, s.found.a_weighted_high, s.truth) for s in sessions),
            strict=True,
        )
    )
    holds = (low <= truth) & (truth <= high)
    two_ended = low > 0.0
    half_db = 0.5 * (db(high) - db(np.where(two_ended, low, np.nan)))
    above_db = db(high / truth)
    widths = "-" if not two_ended.any() else " / ".join(
        f"{np.nanpercentile(half_db, share):.2f}" for share in (50, 90)
    )  # fmt: skip
    narrow = np.mean(two_ended & (half_db < 2.0))
    print(
        f"{name:>22} {len(sessions):5d} {100 * np.mean(holds):7.1f} %"
        f" {100 * np.mean(truth < low):6.1f} {100 * np.mean(truth > high):6.1f}"
        f" {100 * np.mean(~two_ended):8.0f} % {widths:>13} {100 * narrow:7.0f} %"
        f"   {np.percentile(above_db, 50):4.1f} / {np.percentile(above_db, 90):4.1f}"
    )


def main() -> None:
    """Draw, find, and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("seed", type=int)
    parser.add_argument("--sessions", type=int, default=800)
    parser.add_argument("--minutes", type=float, default=60.0, help="ends earlier after these")
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    ends_s = time.monotonic() + 60.0 * given.minutes
    sessions: list[Session] = []
    while len(sessions) < given.sessions and time.monotonic() < ends_s:
        sessions.append(draw_session(rng))
    print(
        "hiss re room, dB(A)        n  held      low>true true>high  at most"
        "   half-width 50/90 %  <2 dB   upper end above truth 50/90 %"
    )
    report("all", sessions)
    for low_db in (-10, -5, 0, 5):
        inside = [s for s in sessions if low_db <= s.ratio_db < low_db + 5]
        report(f"{low_db:+d} to {low_db + 5:+d}", inside)
    report("+2 to +4", [s for s in sessions if 2.0 <= s.ratio_db < 4.0])
    for kind in ("recordings", "drift", "steps"):
        report(kind, [s for s in sessions if s.wander == kind])


if __name__ == "__main__":
    main()
