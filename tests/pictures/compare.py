"""Compares a picture with the one kept: both shrunk to a quarter, where letters' edges no longer tell machines apart.

At most LARGEST_SHARE of the pixels may differ by more than DIFFERS of 255.
"""

from __future__ import annotations

import importlib.util
import io
from pathlib import Path
from types import ModuleType

from PIL import Image

HERE = Path(__file__).parent
FACE = Path("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")
DIFFERS, LARGEST_SHARE = 40, 0.01


def made_by() -> ModuleType:
    """The program make.py as a module."""
    spec = importlib.util.spec_from_file_location("make_pictures", HERE / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def unlike(one: bytes, other: bytes) -> float:
    """The share of pixels that differ, both shrunk to a quarter in grey; 1 when the sizes differ."""
    a, b = (Image.open(io.BytesIO(png)).convert("L") for png in (one, other))
    if a.size != b.size:
        return 1.0
    small = (max(1, a.width // 4), max(1, a.height // 4))
    pairs = zip(*(picture.resize(small, Image.Resampling.BOX).tobytes() for picture in (a, b)), strict=True)
    differ: int = sum(abs(x - y) > DIFFERS for x, y in pairs)
    return differ / (small[0] * small[1])


def check(name: str, png: bytes) -> None:
    """Fail, naming the remedy, when a picture is unlike the one kept under its name."""
    kept = (HERE / f"{name}.png").read_bytes()
    share = unlike(kept, png)
    assert share <= LARGEST_SHARE, (
        f"{name}: {100 * share:.1f} % differ; look, then python tests/pictures/make.py {name}"
    )
