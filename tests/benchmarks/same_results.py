"""Whether two states of the package find the same in the same recordings.

    python tests/benchmarks/same_results.py record FOLDER      # ten sessions and the demo, once
    python tests/benchmarks/same_results.py analyse FOLDER OUT # with the package that is imported
    python tests/benchmarks/same_results.py compare OUT OUT    # what differs

Recordings are made once and read by both, so that nothing but the analysis can differ. Numbers
are the same to 1e-9 (``--near``: 0.001 dB or 0.1 %); texts and flags, as they are. Whatever one
side lacks is a difference. ``--sentences`` lists changed sentences apart, each once.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import Branch, cascade, flat, high_pass, low_pass, peak, play
from differences import differences, read
from limiter_cases import thermal_chain
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker, limited
from resonating import EXCITED, RADIATED, band_pass, echo
from truth import draw
from two_band_cases import random_two_bands

from distsweep.demo import run_demo
from distsweep.pipeline import analyse
from distsweep.results import write_results
from distsweep.stimulus.bursts import lay_out_staircase, render_staircase
from distsweep.stimulus.layout import lay_out, render
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import sidecar_text

RATE_HZ = 48000
Chain = Callable[[np.ndarray], np.ndarray]


def ladder(name: str = "rungs", **more: Any) -> dict[str, Any]:
    """Return a ladder's recipe: four rungs of 3 s."""
    return {
        "kind": "ladder", "name": name, "rate_hz": RATE_HZ, "band_hz": [30, 18000],
        "sweep_s": 3.0, "levels_dbfs": [-28, -22, -16, -10], "order": 6, "quiet_s": 2.0,
        "pause_s": 0.8, "return_rung": True, **more,
    }  # fmt: skip


def tones(name: str = "steps", **more: Any) -> dict[str, Any]:
    """Return a staircase's recipe: three tones at thirteen levels."""
    return {
        "kind": "staircase", "name": name, "rate_hz": RATE_HZ, "order": 5, "quiet_s": 1.5,
        "frequencies_hz": [80, 300, 2000], "levels_dbfs": {"from": -40, "to": -4, "step": 3},
        "hold_s": 0.4, "rest_s": 0.2, "release_s": 1.0, **more,
    }  # fmt: skip


def through(branches: list[Branch], gain: float = 0.4) -> Chain:
    """Return a closed-form loudspeaker as a chain of samples."""
    return lambda wave: gain * play(branches, wave, RATE_HZ)


def protected(limiter: TrueLimiter, below_hz: float | None = None) -> Chain:
    """Return a mildly nonlinear loudspeaker behind a limiter."""
    return lambda wave: TrueLoudspeaker().play(
        limited(wave, RATE_HZ, limiter, below_hz=below_hz), RATE_HZ
    )


def at(*takes: tuple[str, dict[str, Any], Chain]) -> list[tuple[str, dict[str, Any], Chain]]:
    """Return takes as they are listed: position, recipe, and what plays it."""
    return list(takes)


def sessions() -> list[tuple[str, list[tuple[str, dict[str, Any], Chain]], float]]:
    """Return the ten sessions: lines for ``session.toml``, takes, noise RMS."""
    rng = np.random.default_rng(1402)
    spl = "[calibration]\npascal_per_fs = 8.0\n\n[conditions]\ntemperature_c = 22.0\n"
    box = spl + "\n[device]\ncabinet_mm = [140, 230, 180]\n"
    two = random_two_bands(14)
    three = TrueLimiter(threshold_dbfs=-15.0, ratio=3.0, knee_db=4.0, attack_ms=4.0, release_ms=200)
    hard = TrueLimiter(threshold_dbfs=-12.0, ratio=1e9, knee_db=0.0, attack_ms=2.0, release_ms=90.0)
    hot = thermal_chain(2.0, 3.0, law="coil", loudest_dbfs=-4.0)

    def clipped(wave: np.ndarray) -> np.ndarray:
        return TrueLoudspeaker().play(np.clip(wave, -0.3, 0.3), RATE_HZ)

    def hum(chain: Chain) -> Chain:
        def play_it(wave: np.ndarray) -> np.ndarray:
            t = np.arange(len(wave)) / RATE_HZ
            lines = sum(10 ** (-k / 2) * np.sin(2 * np.pi * 50 * k * t) for k in (1, 2, 3))
            return chain(wave) + 3e-4 * lines

        return play_it

    def near(mode: Branch) -> list[Branch]:
        return [mode, Branch(high_pass(2000), (1.0, 0.01), flat)]

    modes = [
        Branch(
            high_pass(70), (1.0, 0.03, 0.03),
            cascade(peak(430, 18, 8), peak(2600, 30, 9), low_pass(16000)),
        ),
        Branch(cascade(high_pass(70), band_pass(940, 25)), (0.0, 0.2, 0.7), flat),
    ]  # fmt: skip
    echoed = [Branch(b.pre, b.coefficients, cascade(b.post, echo(0.0041, 0.3))) for b in RADIATED]
    return [
        (spl, at(("axis", ladder(order=9, sweep_s=6.0), through(draw(rng)))), 1e-6),
        ("", at(("axis", ladder(repeats=2), through(draw(rng)))), 1e-4),
        (spl, at(("axis", ladder(sweep_s=2.0), hum(through(draw(rng))))), 2e-3),
        (box, at(*((p, ladder(), through(modes, g)) for p, g in (("axis", 0.3), ("port", 0.2)))),
         2e-6),
        (spl, at(("axis", ladder(), through(EXCITED)), ("30 degrees", ladder(), through(echoed)),
                 ("tweeter", ladder(), through(near(RADIATED[0])))), 5e-6),
        (spl, at(*(("axis", r, two.play) for r in (
            ladder(levels_dbfs=[-40 + 3 * i for i in range(13)]), tones()))), 1e-4),
        (spl, at(*(("axis", r, protected(three)) for r in (
            ladder(levels_dbfs=[-34, -28, -22, -16, -10, -4]), tones()))), 1e-4),
        ("", at(*(("axis", r, protected(hard, 400.0)) for r in (
            ladder(levels_dbfs=[-34, -28, -22, -16, -10, -4]), tones()))), 1e-4),
        (spl, at(*(("axis", r, clipped) for r in (
            ladder(levels_dbfs=[-28, -22, -16, -10, -4]), tones()))), 1e-5),
        (spl, at(("axis", tones(hold_s=1.5, levels_dbfs=[-28, -22, -16, -10, -4]),
                  lambda wave: TrueLoudspeaker().play(hot(wave), RATE_HZ))), 1e-4),
    ]  # fmt: skip


def record(folder: Path) -> None:
    """Write the sessions' stimuli and recordings, and those of the demonstration."""
    for number, (head, takes, noise_rms) in enumerate(sessions()):
        place = folder / f"session-{number}"
        place.mkdir(parents=True)
        rng = np.random.default_rng(number)
        text = head
        for index, (position, recipe, chain) in enumerate(takes):
            steps = recipe["kind"] == "staircase"
            parsed = parse_recipe(recipe, "recipe")
            stimulus: Any = (lay_out_staircase if steps else lay_out)(parsed)  # type: ignore[operator]
            wave = (render_staircase if steps else render)(stimulus, stimulus.files[0])
            heard = chain(wave)
            heard = heard + rng.normal(0.0, noise_rms, len(heard))
            (place / f"{recipe['name']}.json").write_text(sidecar_text(stimulus), encoding="utf-8")
            soundfile.write(place / f"{index}.wav", heard, RATE_HZ, subtype="FLOAT")
            text += (
                f'\n[[takes]]\nposition = "{position}"\nstimulus = "{recipe["name"]}.json"\n'
                f'recording = "{index}.wav"\n'
            )
        (place / "session.toml").write_text(text, encoding="utf-8")
    run_demo(folder / "demo", seed=1)


def analyse_all(folder: Path, out: Path) -> None:
    """Analyse every session of a folder with the package that is imported."""
    places = sorted(path.parent for path in folder.glob("*/session.toml"))
    if not places:
        sys.exit(f"{folder} holds no sessions: make them with `record`")
    out.mkdir(parents=True, exist_ok=True)
    for place in places:  # what an earlier run left would hide a session that fails now
        (out / f"{place.name}.json").unlink(missing_ok=True)
    for place in places:
        write_results(analyse(place), out / f"{place.name}.json")


def compare(old: Path, new: Path, *, shown: int, near: bool, sentences: bool) -> int:
    """Print what differs, session by session; return how many places do.

    With ``sentences``, changed sentences are listed apart, each once, behind all else.
    """
    names = sorted({path.name for folder in (old, new) for path in folder.glob("*.json")})
    if not names:
        sys.exit(f"{old} and {new} hold no results to compare")
    changed: Counter[tuple[str, str]] = Counter()
    total = 0
    for name in names:
        lacking = [folder for folder in (old, new) if not (folder / name).is_file()]
        if lacking:
            print(f"{name}: lacking in {lacking[0]}")
            total += 1
            continue
        found = list(differences(read(old / name), read(new / name), near=near))
        total += len(found)
        kinds = Counter(one.kind for one in found)
        print(f"{Path(name).stem}: {len(found)} differ", *(f"{k} {n}" for k, n in kinds.items()))
        changed.update((one.old, one.new) for one in found if one.kind == "sentence")
        listed = [one for one in found if not (sentences and one.kind == "sentence")]
        for one in listed[:shown]:
            print(f"  {one.kind} {one.where}: {str(one.old)[:150]} -> {str(one.new)[:150]}")
        if len(listed) > shown:
            print(f"  and {len(listed) - shown} more: --shown {len(listed)}")
    if sentences:
        print(f"{len(changed)} sentences changed")
        for (before, after), times in changed.most_common():
            print(f"  {times} ×\n    - {before}\n    + {after}")
    return total


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser()
    parser.add_argument("action", choices=["record", "analyse", "compare"])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--shown", type=int, default=20, help="places a session, at most")
    parser.add_argument("--sentences", action="store_true", help="list changed sentences apart")
    parser.add_argument(
        "--near", action="store_true", help="let numbers move by 0.001 dB, or 0.1 percent"
    )
    given = parser.parse_args()
    if given.action == "record":
        record(given.folders[0])
    elif given.action == "analyse":
        analyse_all(*given.folders)
    else:
        differ = compare(
            *given.folders, shown=given.shown, near=given.near, sentences=given.sentences
        )
        sys.exit(1 if differ else 0)


if __name__ == "__main__":
    main()
