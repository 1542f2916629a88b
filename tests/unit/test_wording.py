"""Numbers, units and lists as everything that is read writes them."""

from __future__ import annotations

import pytest

from distsweep.words import wording

SPACE = "\N{NO-BREAK SPACE}"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (wording.signed(-0.04), "0.0"),
        (wording.decibels(-0.126, decimals=2), f"−0.13{SPACE}dB"),
        (wording.as_given(-28.0), "−28"),
        (wording.as_given(0.25), "0.25"),
        (wording.as_given(1.2345, 2), "1.2"),
        (wording.whole_hertz(1253.4), f"1253{SPACE}Hz"),
        (wording.share_of(1.0), "all"),
        (wording.share_of(0.999), "all but a trace"),
        (wording.share_of(0.001), "under 1 %"),
        (wording.listed(["a", "b", "c"]), "a, b and c"),
        (wording.ordinal(112), "112th"),
        (wording.span((-3.04, -1.0), "dBFS"), f"−3.0 to −1.0{SPACE}dBFS"),
        (wording.span((-3.0, -3.0), "dBFS"), f"−3.0{SPACE}dBFS"),
        (wording.span((None, -2.0), "dBFS"), f"below −2.0{SPACE}dBFS"),
        (wording.span((1.0, None), ""), "above 1.0"),
        (wording.span((None, None), "dBFS"), ""),
    ],
)
def test_how_it_is_written(text: str, expected: str) -> None:
    assert text == expected
