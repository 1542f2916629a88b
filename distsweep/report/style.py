"""House style of a publisher: what figures and page look like, as far as they may be chosen."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Style:
    """Choices that a ``style.toml`` makes; the defaults are the tool's own look.

    ``…_db_spl`` and the like are ends of axes, None: fitted to what is drawn. ``theme`` is that of
    the page ("light", "dark", or "both": as the reader's screen is set); figure files are light,
    with ``dark_files`` a dark copy stands beside each. ``levels`` are the colours of a ramp from
    the quietest rung to the loudest. ``figures`` names the figures that are made, None: all.
    ``logo`` is a PNG or SVG file, ``line`` a line of text at the foot of figures and page.
    """

    width_in: float = 7.0
    png_dpi: float = 130.0
    frequency_hz: tuple[float, float] | None = None
    response_db_spl: tuple[float, float] | None = None
    thd_db: tuple[float, float] | None = None
    gain_change_db: tuple[float, float] | None = None
    theme: str = "both"
    dark_files: bool = False
    paper: str = "#fffdf9"
    ink: str = "#2b2622"
    levels: tuple[str, ...] = ("#68aaa7", "#568a63", "#7a5c22", "#702820", "#2e0616")
    font: str = "DejaVu Sans"
    logo: str | None = None
    line: str = ""
    figures: tuple[str, ...] | None = None


DEFAULT_STYLE = Style()
