"""A fact that has a meaning to a reader: a code, and the values that belong to it.

The rooms that measure return reasons; `distsweep.words` turns them into sentences, for the page,
the tables and ``results.json`` alike. Whoever wants to know what was found asks for the code.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

Value = float | int | str | bool | None | Sequence[float] | Sequence[int] | Sequence[str]


@dataclass(frozen=True, init=False)
class Reason:
    """A fact with its values.

    Attributes
    ----------
    code : its name, e.g. ``"gain_falls_wave_whole"``; every code has one sentence.
    values : numbers and names by the name of the quantity, with its unit: ``loss_db``.
    """

    code: str
    values: Mapping[str, Value]

    def __init__(self, code: str, /, **values: Value) -> None:
        """Make a reason: ``Reason("gain_falls_wave_whole", loss_db=3.86, share=0.01)``."""
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "values", MappingProxyType(values))
