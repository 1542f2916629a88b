"""Random protected loudspeakers, and what the analysis makes of them, for tests and benchmarks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker, limited, with_noise
from staircase_bench import Chain, analysed

from distsweep.pipeline import analyse, analyse_recording
from distsweep.results import Agreement, Staircase, Take
from distsweep.stimulus.bursts import lay_out_staircase, render_staircase
from distsweep.stimulus.layout import lay_out, render
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import sidecar_text

RATE_HZ = 48000
TONES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)


@dataclass(frozen=True)
class LimitedCase:
    """A limiter, where it acts, the loudspeaker behind it, and the tone that is played."""

    limiter: TrueLimiter
    loudspeaker: TrueLoudspeaker
    tone_hz: float
    below_hz: float | None
    seed: int

    @property
    def threshold_dbfs(self) -> float:
        """Drive at which the limiter's own threshold is reached at the tone's frequency."""
        if self.below_hz is None:
            return self.limiter.threshold_dbfs
        # A fourth-order Linkwitz–Riley low-pass is 1/(1 + (f/fc)⁴) in magnitude.
        return self.limiter.threshold_dbfs + 20.0 * np.log10(
            1.0 + (self.tone_hz / self.below_hz) ** 4
        )


def random_loudspeaker(rng: np.random.Generator) -> TrueLoudspeaker:
    """Mildly nonlinear: up to 1 % of second and third order at −4 dBFS, either sign."""
    return TrueLoudspeaker(
        second=float(rng.uniform(-0.03, 0.03)),
        third=float(rng.uniform(-0.06, 0.06)),
        high_pass_hz=float(rng.uniform(30.0, 55.0)),
        bell_hz=float(rng.uniform(200.0, 3000.0)),
        bell_db=float(rng.uniform(-4.0, 4.0)),
        gain=float(rng.uniform(0.1, 0.6)),
    )


def random_case(seed: int, *, ratio: float, knee_db: float, below_hz: float | None) -> LimitedCase:
    """A limiter of a given ratio and knee; the tone is one that resolves its attack, if any."""
    rng = np.random.default_rng(seed)
    attack_ms = float(np.exp(rng.uniform(np.log(1.0), np.log(20.0))))
    fit_hz = [f for f in TONES_HZ if f * attack_ms * 1e-3 >= 4.0]
    if below_hz is not None:
        # Well inside the low band: at a third of the crossover the high band, not limited,
        # already carries 1 % of the tone, and so the acoustic ratio is no longer the limiter's.
        inside = [f for f in TONES_HZ if f <= below_hz / 5.0]
        fit_hz = [f for f in fit_hz if f in inside] or [max(inside)]
    return LimitedCase(
        limiter=TrueLimiter(
            threshold_dbfs=float(rng.uniform(-24.0, -12.0)),
            ratio=ratio,
            knee_db=knee_db,
            attack_ms=attack_ms,
            release_ms=float(np.exp(rng.uniform(np.log(100.0), np.log(800.0)))),
        ),
        loudspeaker=random_loudspeaker(rng),
        tone_hz=float(rng.choice(fit_hz)),
        below_hz=below_hz,
        seed=seed,
    )


def measure(case: LimitedCase, folder: Path, **recipe: object) -> Staircase:
    """Play a staircase at the case's tone, SNR 50 dB re the loudest level unlimited."""
    rng = np.random.default_rng(case.seed + 10**6)

    def chain(waveform: np.ndarray) -> np.ndarray:
        held = limited(waveform, RATE_HZ, case.limiter, below_hz=case.below_hz)
        return noisy(case.loudspeaker, held, case.tone_hz, rng)

    take = analysed(folder, chain, frequencies_hz=[case.tone_hz], **recipe).takes[0]
    return take.staircase[0]


def noisy(
    loudspeaker: TrueLoudspeaker,
    feed: np.ndarray,
    tone_hz: float,
    rng: np.random.Generator,
    *,
    snr_db: float = 50.0,
    loudest_dbfs: float = -4.0,
) -> np.ndarray:
    """Play through a loudspeaker and add noise re its loudest level at the tone."""
    at_tone = float(np.abs(loudspeaker.response(np.array([tone_hz])))[0])
    rms = at_tone * 10.0 ** (loudest_dbfs / 20.0) / np.sqrt(2.0)
    return with_noise(loudspeaker.play(feed, RATE_HZ), rng, snr_db=snr_db, loudest_rms=rms)


def errors(case: LimitedCase, row: Staircase) -> dict[str, float]:
    """Return error over tolerance for each number that the issue asks for; 1 is the limit."""
    found, true = row.limiter, case.limiter
    assert found is not None
    if found.threshold_dbfs is None:
        return {"kind": np.inf}
    result = {"threshold": abs(found.threshold_dbfs - case.threshold_dbfs) / 0.25}
    if true.ratio >= 20.0:
        result["ratio"] = 0.0 if found.ratio is None else np.inf
    else:
        ratio = np.inf if found.ratio is None else found.ratio
        result["ratio"] = abs(ratio / true.ratio - 1.0) / 0.05
    assert found.knee_db is not None
    result["knee"] = abs(found.knee_db - true.knee_db) / 2.0
    for name, time_ms, given in (
        ("attack", true.attack_ms, found.attack_ms),
        ("release", true.release_ms, found.release_ms),
    ):
        if case.tone_hz * time_ms * 1e-3 < 4.0:
            continue
        allowed = max(0.15 * time_ms, 1.0) if name == "attack" else 0.15 * time_ms
        result[name] = np.inf if given is None else abs(given - time_ms) / allowed
    return result


def unlimited(seed: int) -> TrueLoudspeaker:
    """A random loudspeaker without protection, somewhat less tame than those behind limiters."""
    rng = np.random.default_rng(seed)
    tame = random_loudspeaker(rng)
    return replace(
        tame, second=float(rng.uniform(-0.1, 0.1)), third=float(rng.uniform(-0.25, 0.15))
    )


def thermal_chain(depth_db: float, time_constant_s: float, *, law: str, loudest_dbfs: float):  # type: ignore[no-untyped-def]
    """Return a gain that sags with the power, ``depth_db`` in the long run at the loudest level.

    ``law`` is "decibels": the gain in dB approaches its end exponentially; or "coil": the
    resistance follows the temperature, the temperature the power, which falls as it grows.
    """

    def gain(waveform: np.ndarray) -> np.ndarray:
        step = RATE_HZ // 100
        blocks = len(waveform) // step
        # Mean square of a block of 10 ms, re that of the loudest sine.
        power = np.mean(waveform[: blocks * step].reshape(blocks, step) ** 2, axis=1)
        power *= 2.0 / 10.0 ** (loudest_dbfs / 10.0)
        keep = np.exp(-0.01 / time_constant_s)
        end = 10.0 ** (depth_db / 20.0) - 1.0
        heat, gains = 0.0, np.empty(blocks)
        for i, p in enumerate(power.tolist()):
            gains[i] = 10.0 ** (-depth_db * heat / 20.0) if law == "decibels" else 1.0 / (1 + heat)
            goal = p if law == "decibels" else end * (1.0 + end) * p / (1.0 + heat)
            heat = goal + keep * (heat - goal)
        at = (np.arange(blocks) + 0.0) * step
        return waveform * np.interp(np.arange(len(waveform)), at, gains)

    return gain


def ladder_of(chain: Chain, folder: Path, seed: int, **changes: object) -> Take:
    """Play a ladder of 13 rungs 3 dB apart through a chain; noise 50 dB below the loudest."""
    recipe = {
        "kind": "ladder",
        "name": "rungs",
        "rate_hz": RATE_HZ,
        "band_hz": [40, 10000],
        "sweep_s": 4.0,
        "levels_dbfs": [-40.0 + 3.0 * i for i in range(13)],
        "order": 5,
        "quiet_s": 2.0,
        "pause_s": 1.0,
        "return_rung": False,
        **changes,
    }
    stimulus = lay_out(parse_recipe(recipe, "recipe"))
    waveform = render(stimulus, stimulus.files[0])
    heard = chain(waveform)
    last = stimulus.files[0].rungs[-1].start_sample
    rms = float(np.std(heard[last : last + stimulus.sweep.samples]))
    rng = np.random.default_rng(seed + 10**6)
    heard = with_noise(heard, rng, snr_db=50.0, loudest_rms=rms)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rungs.json").write_text(sidecar_text(stimulus), encoding="utf-8")
    soundfile.write(folder / "ladder.wav", heard, RATE_HZ, subtype="FLOAT")
    return analyse_recording(folder / "ladder.wav", stimulus=folder / "rungs.json").takes[0]


def measure_ladder_of(case: LimitedCase, folder: Path, **changes: object) -> Take:
    """Play a ladder through a case's limiter and loudspeaker."""

    def chain(waveform: np.ndarray) -> np.ndarray:
        held = limited(waveform, RATE_HZ, case.limiter, below_hz=case.below_hz)
        return case.loudspeaker.play(held, RATE_HZ)

    return ladder_of(chain, folder, case.seed, **changes)


def agreements_of(chain: Chain, folder: Path, seed: int) -> list[Agreement]:
    """Play a ladder and a staircase through a chain, noise 70 dB below the loudest sweep."""
    ladder = {
        "kind": "ladder", "name": "rungs", "rate_hz": RATE_HZ, "band_hz": [40, 16000],
        "sweep_s": 6.0, "levels_dbfs": [-22, -16, -10, -4], "order": 5, "quiet_s": 2.0,
    }  # fmt: skip
    steps = {
        "kind": "staircase", "name": "steps", "rate_hz": RATE_HZ, "order": 5, "quiet_s": 2.0,
        "frequencies_hz": [63, 125, 250, 500, 1000, 2000], "release_s": 0.5,
        "levels_dbfs": [-22, -16, -10, -4], "hold_s": 0.5, "rest_s": 0.2,
    }  # fmt: skip
    rng = np.random.default_rng(seed + 10**6)
    folder.mkdir(parents=True, exist_ok=True)
    takes = ""
    for recipe, lay, draw in (
        (ladder, lay_out, render),
        (steps, lay_out_staircase, render_staircase),
    ):
        stimulus = lay(parse_recipe(recipe, "recipe"))
        name = recipe["name"]
        (folder / f"{name}.json").write_text(sidecar_text(stimulus), encoding="utf-8")
        heard = chain(draw(stimulus, stimulus.files[0]))
        if recipe is ladder:
            rms = float(np.sqrt(np.mean(heard[-7 * RATE_HZ : -2 * RATE_HZ] ** 2)))
        heard = heard + rng.normal(0.0, rms * 10.0 ** (-70.0 / 20.0), len(heard))
        soundfile.write(folder / f"{name}.wav", heard, RATE_HZ, subtype="FLOAT")
        takes += (
            f'[[takes]]\nposition = "axis"\nstimulus = "{name}.json"\nrecording = "{name}.wav"\n'
        )
    (folder / "session.toml").write_text(takes, encoding="utf-8")
    return analyse(folder).agreement
