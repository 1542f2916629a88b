"""What is said of results that were found again from a bundle."""

from __future__ import annotations

from distsweep.results.likeness import Likeness


def likeness_sentence(found: Likeness) -> str:
    """Say whether the numbers are those that the bundle holds, or how many differ by how much."""
    if not found.differing and not found.others:
        return f"all {found.numbers} numbers are those of the results in the bundle"
    parts = [f"of {found.numbers} numbers {found.differing} differ from the results in the bundle"]
    if found.differing:
        parts.append(f"by at most {found.largest:.2g} (at {found.largest_at})")
    if found.others:
        one = found.others == 1
        parts.append(f"and {found.others} other entr{'y does' if one else 'ies do'}")
    return ", ".join(parts)
