"""What is said of a path that is to lead to results."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.words.wording import listed

GIVE = "a results.json, a session, or a bundle"


def analysed_now(place: str) -> str:
    """Say that there were no results, and that they were made."""
    return f"{place} held no results, and was analysed now."


def changed_since(place: str, results_file: str, newer: Sequence[str]) -> str:
    """Say that results were read that are older than what they were made of."""
    are = "was" if len(newer) == 1 else "were"
    return (
        f"Of {place} {listed(newer)} {are} changed after {results_file} was written: analyse the"
        " session again if its numbers are to follow."
    )


def other_schema(place: str, schema: str) -> str:
    """Say that a file of another sort was given."""
    sort = schema.rpartition("/")[0].rpartition(".")[2]
    what = "a comparison" if sort == "comparison" else f"a file of {schema!r:.60}"
    return f"{place}: holds {what}, and no results: give {GIVE}"


def is_no_source(place: str, what: str) -> str:
    """Say that something else was given, a recording for instance."""
    remedy = f"give {GIVE}"
    if what == "a recording":
        remedy = "analyse it first, and give its results"
    elif what == "a file of filters":
        remedy = "give it with --filters, behind the results"
    return f"{place}: is {what}: {remedy}"


def nothing_in_folder(place: str) -> str:
    """Say that a folder holds neither results nor a session."""
    return f"{place}: holds no results.json and no session.toml: give {GIVE}"


def sessions_in_folder(place: str, some: Sequence[str], count: int) -> str:
    """Say that a folder holds sessions, one of which may be meant."""
    if count == 1:
        return f"{place}: is no session, and holds one: give {place}/{some[0]}"
    names = listed(some) if count == len(some) else f"{', '.join(some)} …"
    return f"{place}: is no session, and holds {count} ({names}): give each by itself"
