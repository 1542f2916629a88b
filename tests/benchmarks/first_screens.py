"""Pictures of the page's first screen for readers who were told nothing, and what is true.

Run ``python tests/benchmarks/first_screens.py FOLDER SEED [SEED …]``. For each seed a random
loudspeaker is measured as in the demonstration (ladder and staircase on the axis, near fields of
woofer, port and tweeter) and analysed. ``FOLDER/SEED/`` gets ``wide.png`` (1200 × 800) and
``phone.png`` (360 × 740), both by Chromium, ``truth.json`` and the whole ``results``. What holds
the loudspeakers back goes round `first_screen_draws.KINDS`, in the order of the seeds. Printed are
the sentences, and how many words each picture shows: all but the numbers at a figure's ticks.

It needs playwright (PyPI) and the Debian package chromium.
"""

from __future__ import annotations

import dataclasses
import json
import sys
from pathlib import Path

import soundfile
from first_screen_draws import KINDS, LOUDEST_DBFS, Draw, draw, truth
from playwright.sync_api import sync_playwright

from distsweep.demo import NEAR_FIELD_LEVELS_DBFS, TAKES
from distsweep.pipeline import analyse
from distsweep.rehearsal import measure
from distsweep.rehearsal.demo import CABINET_MM
from distsweep.report.verdict.findings import findings
from distsweep.result_files import write_result_files
from distsweep.stimulus.recipe import read_recipe
from distsweep.stimulus.write import write_stimulus

CHROMIUM = "/usr/bin/chromium"
SCREENS = {"wide": (1200, 800), "phone": (360, 740)}
STAIRCASE_TONES = "three-tones"


def session_of(one: Draw, folder: Path) -> None:
    """Simulate a session into a folder: stimuli, recordings, session.toml."""
    folder.mkdir(parents=True)
    for name in sorted({take.recipe for take in TAKES}):
        recipe = read_recipe(name)
        if name == "near-field":
            recipe = dataclasses.replace(recipe, levels_dbfs=NEAR_FIELD_LEVELS_DBFS)
        else:
            played = tuple(x for x in recipe.levels_dbfs if x <= LOUDEST_DBFS)
            recipe = dataclasses.replace(recipe, levels_dbfs=played)
        write_stimulus(recipe, folder, sample_format="flac")
    takes = ""
    for number, take in enumerate(TAKES):
        waveform, rate_hz = soundfile.read(folder / f"{take.recipe}.flac")
        heard = measure(waveform, rate_hz=rate_hz, loudspeaker=one.loudspeaker, bench=one.bench,
                        position=take.position, seed=one.seed + number)  # fmt: skip
        soundfile.write(folder / take.recording, heard, rate_hz, subtype="PCM_24")
        takes += (
            f'\n[[takes]]\nposition = "{take.position}"\nstimulus = "{take.recipe}.json"\n'
            f'recording = "{take.recording}"\n'
        )
    box = one.loudspeaker.box
    (folder / "session.toml").write_text(
        f'[device]\nname = "{one.name}"\ncabinet_mm = [{", ".join(f"{x:g}" for x in CABINET_MM)}]\n'
        f"port_mm = {{ length = {box.port_length_mm:g}, diameter = {box.port_diameter_mm:g} }}\n"
        f"[conditions]\ntemperature_c = {one.bench.temperature_c:g}\n"
        f"distance_m = {one.bench.distance_m:g}\nlevel_band_hz = [300, 3000]\n"
        f"[calibration]\npascal_per_fs = {one.bench.pascal_per_fs:g}\n{takes}"
    )


def pictures(page_path: Path, folder: Path) -> dict[str, int]:
    """Take pictures of a page's first screen; return how many words each shows."""
    shown = {}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for name, (width, height) in SCREENS.items():
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto(page_path.resolve().as_uri())
            page.screenshot(path=folder / f"{name}.png")
            shown[name] = page.evaluate(_COUNT_WORDS)
        browser.close()
    return shown


_COUNT_WORDS = r"""() => {
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let words = 0;
  while (walker.nextNode()) {
    const node = walker.currentNode, parent = node.parentElement;
    const seen = parent.checkVisibility({visibilityProperty: true});
    if (!seen || ["SCRIPT", "STYLE"].includes(parent.tagName)) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const box = range.getBoundingClientRect();
    if (box.top >= innerHeight || box.bottom <= 0 || box.right <= 0 || box.width < 2) continue;
    if (parent.closest("svg") && /^\s*[−\d.]+k?\s*$/.test(node.data)) continue;
    for (const word of node.data.split(/\s+/)) if (/[\p{L}\p{N}]/u.test(word)) words += 1;
  }
  return words;
}"""


def main() -> None:
    folder, seeds = Path(sys.argv[1]), [int(text) for text in sys.argv[2:]]
    for number, seed in enumerate(seeds):
        one = draw(seed, KINDS[number % len(KINDS)])
        own = folder / str(seed)
        session_of(one, own / "session")
        results = analyse(own / "session")
        write_result_files(results, own / "results")
        words = pictures(own / "results" / "report" / "report.html", own)
        (own / "truth.json").write_text(json.dumps(truth(one), indent=1))
        print(f"{seed}: {one.name}, {one.kind}; words on the screen: {words}")
        for finding in findings(results):
            print(f"  {finding.sentence}", flush=True)


if __name__ == "__main__":
    main()
