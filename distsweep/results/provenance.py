"""Records of where results come from: what was analysed, when, by which version."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from distsweep.results.record import Record


@dataclass(frozen=True, repr=False)
class SourceFile(Record):
    """A file that was read, by its name in the session, and a SHA-256.

    Of a recording the checksum is of its samples, so that the same recording in another lossless
    coding has the same one; of a sidecar it is of the file's bytes.
    """

    name: str
    sha256: str


@dataclass(frozen=True, repr=False)
class Provenance(Record):
    """Version and date of an analysis (UTC, ISO 8601), what was set, and what was read."""

    version: str
    created: str
    settings: dict[str, Any] = field(default_factory=dict)
    recordings: list[SourceFile] = field(default_factory=list)
    stimuli: list[SourceFile] = field(default_factory=list)
