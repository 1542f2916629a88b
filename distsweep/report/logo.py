"""A publisher's logo: which files are taken, and how they stand in ours."""

from __future__ import annotations

import base64
from functools import lru_cache
from pathlib import Path

from distsweep.errors import InputError

MOST_BYTES = 200_000
"""Largest logo. Chosen: it stands in every figure's file, and in the page."""

_KINDS = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}
"""First bytes of a PNG (ISO/IEC 15948) and of a JPEG (ITU-T T.81: start of image, a marker)."""

SVG_TYPE = "image/svg+xml"


def check_logo(path: Path, *, where: str) -> None:
    """Refuse a logo that cannot be used.

    Raises
    ------
    InputError
        It is missing, too large, or neither PNG, JPEG nor SVG; ``where`` names who asked for it.
    """
    try:
        size = path.stat().st_size
        content = path.read_bytes() if size <= MOST_BYTES else b""
    except OSError as error:
        raise InputError(
            f"{where}: logo {path} cannot be read ({error.strerror}): check the path"
        ) from error
    if size > MOST_BYTES:
        raise InputError(
            f"{where}: logo {path} has {size} bytes: must have {MOST_BYTES} at most, as it stands"
            " in every figure; save it smaller"
        )
    kind = media_type(content)
    if not kind:
        raise InputError(f"{where}: logo {path} is neither PNG, JPEG nor SVG: save it as one")
    if kind != SVG_TYPE:
        _check_pixels(path, where)


def media_type(content: bytes) -> str:
    """Return the media type of a picture's bytes; empty where it is none that we take."""
    for start, kind in _KINDS.items():
        if content.startswith(start):
            return kind
    head = content[:1000].lstrip()
    return SVG_TYPE if head.startswith((b"<svg", b"<?xml", b"<!--")) and b"<svg" in head else ""


@lru_cache(maxsize=4)
def logo_bytes(path: str) -> bytes:
    """Content of a logo's file."""
    return Path(path).read_bytes()


def data_address(path: str) -> str:
    """The logo as a ``data:`` address, for a page or an SVG."""
    content = logo_bytes(path)
    return f"data:{media_type(content)};base64,{base64.b64encode(content).decode('ascii')}"


def _check_pixels(path: Path, where: str) -> None:
    from PIL import Image  # matplotlib needs it

    try:
        with Image.open(path) as image:
            image.load()
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(f"{where}: logo {path} is damaged ({error}): save it again") from error
