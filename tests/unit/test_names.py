"""One name for one thing: in the sources, the documents, the recipes, the sample page, the figures.

Names that were given up are searched for in the whole tree, but for the readers of older files.
Those of makers' products are written in two pieces, so that this file holds none.
"""

from __future__ import annotations

import io
import re
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import pytest
from conftest import Demo
from matplotlib.axes import Axes
from report_samples import Page, words_of

from distsweep.report.content import pictures
from distsweep.report.definitions import DEFINITIONS
from distsweep.report.sections import all_sections

ROOT = Path(__file__).parents[2]
SAMPLE_PAGES = sorted((ROOT / "reports").glob("*.html"))
FILES = sorted(
    path
    for place in ("distsweep", "tests", "stimuli", "reports", ".")
    for path in (ROOT / place).glob("*" if place == "." else "**/*")
    if path.suffix in (".py", ".md", ".toml", ".html")
    and path != Path(__file__)
    and path not in SAMPLE_PAGES
)


@dataclass(frozen=True)
class Former:
    """A name given up: ``pattern`` finds it, in ``but`` it may stand, as older files hold it.

    ``in_words`` looks in what people read only, not in names of variables and keys.
    """

    pattern: str
    instead: str
    places: tuple[str, ...] = ("",)
    but: tuple[str, ...] = ()
    in_words: bool = False


DOCUMENTS = ("README.md", "DEVELOPERS.md", "stimuli/", "reports/")
FORMER = [
    Former(r"(?i)\bwr" r"en\b", "Brindlemoor Tarnbick 4"),
    Former(r"(?<!W\. )Klip" r"pel", "an author's surname in the reference only"),
    Former(r"\b86 and 96\b|\b76 to 100\b|\b76, 86\b|clean at 86", "80 and 90, 70 to 95 by 5"),
    Former(
        r"spare_below|spared_ratio",
        "reduce_drive_below_hz",
        but=("distsweep/stimulus/recipe.py", "tests/unit/test_stimulus.py"),
    ),
    Former(r"Frequency played", "Excitation frequency"),
    Former(r"Loudness by position", "Level by position"),
    Former(r"(?i)\bspikes?\b", "peak", in_words=True),
    Former(r"(?i)\bbumps?\b", "peak; boost of an equaliser", in_words=True),
    Former(
        r"(?i)\bridges?\b", "peak, in a map too", ("distsweep/report/", *DOCUMENTS), in_words=True
    ),
    Former(r"(?i)\bdown minus up\b", "falling minus rising"),
    Former(r"(?i)gain change at the top\b", "at the highest drive"),
    Former(r"(?i)impulsive sound", "impulsive distortion"),
    Former(
        r"(?i)clean_ceiling|plot_ceiling|-ceiling\.csv",
        "clean_level",
        but=("distsweep/results/version_1.py", "tests/unit/test_results.py"),
    ),
    Former(
        r"(?i)ceiling",
        "highest clean level: a ceiling is the safety limit of a capture",
        ("distsweep/report/", "distsweep/analysis/"),
    ),
]


@cache
def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def words_in(path: Path) -> Iterator[str]:
    """What people read in a file: of a source comments, docstrings, and strings of several words.

    Names of variables and keys are no words: they stand in `backticks`, or in {braces}.
    """
    if path.suffix != ".py":
        yield re.sub(r"`[^`]*`", "", text_of(path))
        return
    for token in tokenize.generate_tokens(io.StringIO(text_of(path)).readline):
        kind = tokenize.tok_name[token.type]
        several = kind in ("STRING", "FSTRING_MIDDLE") and re.search(r"\s", token.string)
        if kind == "COMMENT" or several:
            yield re.sub(r"``[^`]*``|`[^`]*`|\{[^}]*\}", "", token.string)


def found_in(path: Path, former: Former) -> list[str]:
    if former.in_words and not re.search(former.pattern, text_of(path)):
        return []
    texts = words_in(path) if former.in_words else [path.name, text_of(path)]
    return [hit.group() for text in texts for hit in re.finditer(former.pattern, text)]


@pytest.mark.parametrize("former", FORMER, ids=[former.instead for former in FORMER])
def test_no_former_name_is_left(former: Former) -> None:
    hits = {
        name: found
        for path in FILES
        if (name := path.relative_to(ROOT).as_posix()).startswith(former.places)
        and name not in former.but
        and (found := found_in(path, former))
    }
    assert not hits, f"write: {former.instead}"


def test_the_search_sees_what_it_is_to_see(tmp_path: Path) -> None:
    source = tmp_path / "a.py"
    source.write_text(
        '"""A spike of ``spikes``."""\n'
        'spikes = {"spike": 1}  # no bump\n'
        'print(f"a bump at {bump}")\n'
    )
    hits = [found_in(source, former) for former in FORMER if former.in_words]
    assert hits == [["spike"], ["bump", "bump"], []]
    assert len(FILES) > 200
    assert {"README.md", "near-field.toml", "page.html", "facts.py"} <= {p.name for p in FILES}


@pytest.mark.parametrize("path", SAMPLE_PAGES, ids=lambda path: path.name)
def test_the_sample_page_has_today_s_names(path: Path) -> None:
    text = re.sub(r"<svg.*?</svg>|<style.*?</style>|<[^>]*>", " ", text_of(path), flags=re.DOTALL)
    hits = [hit for one in FORMER for hit in re.findall(one.pattern, f"{path.name} {text}")]
    assert not hits
    assert "Excitation frequency" in text


def over_frequency(axes: Axes) -> bool:
    return axes.get_xscale() == "log" or "Hz" in axes.get_xlabel()


def test_every_axis_of_frequency_has_its_one_name(demo: Demo) -> None:
    """Of the demonstration's report, one figure of each sort at each kind of take."""
    sorts = {}
    for picture in pictures(all_sections(demo.results)):
        draw = picture.draw
        assert isinstance(draw, partial)
        sorts[re.sub(r"\d+|port|woofer|tweeter", "", picture.name)] = draw
    assert len(sorts) >= 9
    heard = 0
    for name, draw in sorts.items():
        axes = [one for one in draw().axes if over_frequency(one)]
        labels = {one.get_title(loc="left"): one.get_xlabel() for one in axes if one.get_xlabel()}
        assert labels or not axes, f"{name} names no axis of frequency"
        for title, label in labels.items():
            at_its_own = title == "Where harmonics are heard" or name == "-hiss"
            heard += at_its_own
            expected = "Frequency heard, Hz" if at_its_own else "Excitation frequency, Hz"
            # The first screen has few words, and of what is heard there is nothing on it.
            expected = "Hz" if name == "verdict" else expected
            assert label == expected, f"{name}: {title}"
    assert heard


OURS = [
    "take", "position", "ladder", "rung", "return rung", "reference rung", "staircase", "drive",
    "excitation frequency", "frequency heard", "harmonic level", "input-referred", "floor",
    "interval", "average", "reliable", "uncertain", "in the noise", "gain change", "onset",
    "highest clean level", "peak", "product", "radiated", "excited", "growth", "confidence",
]  # fmt: skip
"""Words that have a meaning of their own here, or one that is narrower than usual."""


def test_every_word_of_ours_is_defined_on_the_page(demo: Demo) -> None:
    page: Page = words_of(demo.results)
    before, _, after = page.text.rpartition("Definitions What")
    meant = " ".join([word for word, _ in DEFINITIONS] + [text for _, text in DEFINITIONS]).lower()
    named = {word.lower() for word, _ in DEFINITIONS}
    for word in OURS:
        assert word in named or f"“{word}”" in meant, f"{word} is not defined"
    used = [word for word in OURS if re.search(rf"(?i)\b{word}s?\b", before)]
    assert len(used) >= 20  # the demonstration's page uses nearly all of them
    for word, text in DEFINITIONS:
        assert word in after and text in after
        assert text[0].isupper() or text[0].isdigit()
        assert text.endswith("."), word
