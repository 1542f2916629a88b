"""What a search calls in unlike rooms, held against what is there.

A call is real within 2 % of a pole of its kind, or else between two poles of a mode within 8 %
(of two that overlap only one peak is seen). Found is an eligible pole with a real call at 0.5 or
more: its own, one between it and a neighbour, or one of a pole of the same mode within 4 %. A pole
that is there and not eligible is no false call, and none that is missed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from resonance_population import CALLED_FROM, ELIGIBLE_DB, SAME_WITHIN, fifths
from unlike_measured import ONE_WITHIN

PAIR_WITHIN = 0.08
"""Poles of one mode so close, as a fraction, may show as one peak that lies between them."""

KINDS = ("radiated", "excited")

Entry = Mapping[str, Any]


@dataclass
class KindScore:
    """Of one kind: eligible poles and those found, calls at 0.5 or more that are false, errors.

    ``as_other``: eligible ones that only the other kind is called at. ``other_kind``: false calls
    where a pole of the other kind is. ``called`` and ``real``: every call's confidence and truth.
    """

    eligible: int = 0
    found: int = 0
    as_other: int = 0
    false: int = 0
    other_kind: int = 0
    errors_percent: list[float] = field(default_factory=list)
    called: list[float] = field(default_factory=list)
    real: list[bool] = field(default_factory=list)
    families: dict[str, list[int]] = field(default_factory=dict)


@dataclass
class RoomScore:
    """What became of a number of draws, by kind, with a line a miss and a false call."""

    kinds: dict[str, KindScore] = field(default_factory=lambda: {k: KindScore() for k in KINDS})
    missed: list[str] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    draws: int = 0
    takes: int = 0
    cpu_s: float = 0.0

    def add(
        self,
        seed: int,
        truth: Sequence[Entry],
        standing_db: Sequence[float],
        calls: Sequence[Entry],
    ) -> None:
        """Count one draw's calls (``frequency_hz``, ``kind``, ``confidence``)."""
        self.draws += 1
        sure = [call for call in calls if call["confidence"] >= CALLED_FROM]
        for call in calls:
            score = self.kinds[call["kind"]]
            real = bool(poles_of(call, truth))
            score.called.append(float(call["confidence"]))
            score.real.append(real)
            if call in sure and not real:
                score.false += 1
                other = any(_same(call["frequency_hz"], t["frequency_hz"]) for t in truth)
                score.other_kind += other
                self.false.append(f"  false: seed {seed}, {_call(call)}; there are {_named(truth)}")
        for number, height in enumerate(standing_db):
            if height >= ELIGIBLE_DB:
                self._eligible(seed, number, truth, height, sure)

    def _eligible(
        self, seed: int, number: int, truth: Sequence[Entry], height: float, sure: Sequence[Entry]
    ) -> None:
        mode = truth[number]
        score = self.kinds[mode["kind"]]
        score.eligible += 1
        family = score.families.setdefault(mode["family"], [0, 0])
        family[0] += 1
        near = [
            k
            for k, other in enumerate(truth)
            if other["group"] == mode["group"]
            and _apart(other["frequency_hz"], mode["frequency_hz"]) <= ONE_WITHIN
        ]
        hits = [call for call in sure if set(near) & set(poles_of(call, truth))]
        if not hits:
            other = any(_same(call["frequency_hz"], mode["frequency_hz"]) for call in sure)
            score.as_other += other
            self.missed.append(
                f"  missed: seed {seed}, {_named([mode])} standing {height:.1f} dB"
                + (", the other kind called" if other else "")
            )
            return
        score.found += 1
        family[1] += 1
        score.errors_percent.append(
            100.0 * min(_apart(call["frequency_hz"], mode["frequency_hz"]) for call in hits)
        )

    def text(self, *, details: bool = False) -> str:
        """A table for the reader of a benchmark."""
        lines = []
        for kind, one in self.kinds.items():
            errors = one.errors_percent
            share = f" ({one.found / one.eligible:.1%})" if one.eligible else ""
            off = (
                f"; off by {np.median(errors):.2f} % in the median, {np.max(errors):.2f} % at most"
                if errors
                else ""
            )
            by_family = ", ".join(f"{n} {f}/{e}" for n, (e, f) in sorted(one.families.items()))
            lines += [
                f"  {kind}: found {one.found} of {one.eligible}{share}, as the other kind"
                f" {one.as_other}; false {one.false} (where the other kind is {one.other_kind})"
                f"{off}",
                f"    by family: {by_family or 'none'}",
                *(
                    f"    confidence {k / 5:.1f}-{(k + 1) / 5:.1f}: {count:4d} called, mean"
                    f" {mean:.3f}, real {real:.3f}"
                    for k, (count, mean, real) in enumerate(fifths(one.called, one.real))
                ),
            ]
        if self.takes:
            lines.append(f"  CPU {self.cpu_s / self.takes:.2f} s a take")
        return "\n".join(lines + (self.missed + self.false if details else []))


def poles_of(call: Entry, truth: Sequence[Entry]) -> list[int]:
    """Return which true poles a call is real by; none: it is not."""
    mine = [k for k, mode in enumerate(truth) if mode["kind"] == call["kind"]]
    hit = {k for k in mine if _same(call["frequency_hz"], truth[k]["frequency_hz"])}
    if hit:
        return sorted(hit)
    for a in mine:
        for b in mine:
            low_hz, high_hz = truth[a]["frequency_hz"], truth[b]["frequency_hz"]
            between = low_hz < call["frequency_hz"] < high_hz
            if (
                between
                and truth[a]["group"] == truth[b]["group"]
                and (_apart(low_hz, high_hz) <= math.log1p(PAIR_WITHIN))
            ):
                hit |= {a, b}
    return sorted(hit)


def _apart(one_hz: float, other_hz: float) -> float:
    return abs(math.log(one_hz / other_hz))


def _same(one_hz: float, other_hz: float) -> bool:
    return _apart(one_hz, other_hz) <= SAME_WITHIN


def _call(call: Entry) -> str:
    return f"{call['kind']} {call['frequency_hz']:.0f} Hz at {call['confidence']:.2f}"


def _named(modes: Sequence[Entry]) -> str:
    return (
        ", ".join(
            f"{m['kind']} ({m['family']}, {m['place']}) {m['frequency_hz']:.0f} Hz Q {m['q']:.0f}"
            f" {m['lift_db']:.1f} dB"
            for m in modes
        )
        or "none"
    )
