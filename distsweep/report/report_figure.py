"""The figure that the report's functions return. Imported only when one is drawn."""

from __future__ import annotations

import io

from matplotlib.figure import Figure


class ReportFigure(Figure):
    """A matplotlib figure that a notebook shows by itself, without pyplot."""

    def _repr_png_(self) -> bytes:
        buffer = io.BytesIO()
        self.savefig(buffer, format="png", dpi=110)
        return buffer.getvalue()
