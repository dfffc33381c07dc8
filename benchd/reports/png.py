"""Turns a drawing into a PNG, by resvg: a renderer of its own, so that a bench needs no browser to print a picture."""

from __future__ import annotations

from benchd.errors import BenchdError
from benchd.reports.drawing.paper import Sheet

ZOOM = 2.0  # a phone's pixels, and about 200 dots an inch on A4's width


def png_of(sheet: Sheet, zoom: float = ZOOM) -> bytes:
    """The drawing in light ink on its own ground, as a PNG file's bytes.

    Raises BenchdError when the extra `png` is not installed.
    """
    try:
        import resvg_py
    except ImportError as error:
        raise BenchdError("resvg-py is not installed: pip install 'benchd[png]'") from error
    return resvg_py.svg_to_bytes(svg_string=sheet.svg(ink="light"), zoom=zoom, sans_serif_family="DejaVu Sans")
