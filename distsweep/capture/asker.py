"""Whom the safeguards ask: the person at the terminal, or the command line in their place."""

from __future__ import annotations

from typing import Protocol

YES = ("yes", "y")
"""What counts as a yes where one is asked for."""


class Asker(Protocol):
    """The person in front of the screen, or what the command line says in their place."""

    accept_level_spl_db: float | None
    accept_ceiling_spl_db: float | None

    def is_terminal(self) -> bool:
        """Tell whether somebody can type."""
        ...

    def tell(self, text: str) -> None:
        """Show a line."""
        ...

    def typed(self, prompt: str) -> str:
        """Return what is typed after the prompt has been shown, not what lay there before."""
        ...


def is_yes(answer: str) -> bool:
    """Tell whether what was typed is a yes."""
    return answer.strip().lower() in YES
