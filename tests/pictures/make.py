"""Makes the pictures of the page, the drawings and the demo: run it when a change is meant, and look at each.

    python tests/pictures/make.py [NAME ...]

All are of the invented studio's day as recorded: the page at moments of its loads in Chromium, its clock standing
still; the reports' drawings as `benchd report --png` makes them; what the demo prints of load 1.  They are kept in few
colours, to be small.  `test_pictures.py` makes them again and compares.
"""

from __future__ import annotations

import asyncio
import io
import sys
import tempfile
from collections.abc import Iterable
from datetime import UTC
from pathlib import Path
from typing import Any

from PIL import Image

from benchd.core.bench import Bench
from benchd.core.engine import Engine
from benchd.core.findings import Effect
from benchd.core.model import Mark, MarkAnswer
from benchd.plugins import load_settings, watcher_plan
from benchd.reports.index import make_report
from benchd.reports.markup import markup
from benchd.reports.png import png_of
from benchd.runtime.journal.journal import Journal
from benchd.runtime.printing.finding_words import names_of
from benchd.runtime.printing.plain_lines import PlainLines, Style

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / "config" / "bench.toml"
EVENING_T = 1_767_571_200.0 + 20 * 3600.0  # of 2026-01-05, the recorded day, UTC
PHONE, WALL = (390, 844), (1280, 800)
PAGES = {
    **{f"page-{name}": (name, PHONE, "light") for name in (
        "idle", "mixing", "pouring", "closing", "filling", "kick", "holding", "hold-done", "venting", "demolding",
        "leaking", "alarm", "gauge-blind", "two-pots")},
    "page-pouring-dark": ("pouring", PHONE, "dark"), "page-alarm-dark": ("alarm", PHONE, "dark"),
    "page-holding-wall": ("holding", WALL, "light"), "page-holding-side": ("holding", (844, 390), "light"),
}  # fmt: skip
"""Picture -> moment (bench_moments.py), size, ground."""
DRAWINGS = {
    "load-1": ("load", "barrel-1767606117"), "load-2": ("load", "barrel-1767612105"), "load-3": ("load", "last"),
    "day": ("day", "2026-01-05"), "mold": ("mold", "m01"), "lot": ("lot", "r-07"), "leaks": ("leaks", "barrel"),
    "scrap": ("scrap", "all"),
}  # fmt: skip
COLOURS, ZOOM = 16, 1.25


def kept(png: bytes) -> bytes:
    """The picture in few colours: a fifth of its size."""
    out = io.BytesIO()
    image = Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    image.save(out, "PNG", optimize=True)
    return out.getvalue()


def page_picture(page: Any, name: str) -> bytes:
    """A picture of PAGES, on an open page of Chromium."""
    from bench_moments import moment, moments
    from still_page import show

    what, size, ground = PAGES[name]
    show(page, moment(what) if what == "pouring" else moments()[what], size, ground)
    return bytes(page.screenshot(scale="css"))


async def drawing_picture(path: Path, bench: Bench, name: str) -> bytes:
    """A picture of DRAWINGS, from the journal of the day."""
    async with Journal(path, read_only=True) as journal:
        drawing = (await make_report(journal, bench, *DRAWINGS[name], EVENING_T)).drawing
    assert drawing is not None
    return png_of((drawing.alone or drawing.draw)(760.0), ZOOM)


def terminal_picture() -> bytes:
    """What the demo prints of load 1, from its first mix to the first part, on a dark terminal."""
    import resvg_py

    rows = list(_lines())
    height = 22 + 17 * len(rows)
    text = "".join(
        f'<text x="14" y="{26 + 17 * n}" xml:space="preserve">{markup(row)}</text>' for n, row in enumerate(rows)
    )
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="760" height="{height}" font-family="DejaVu Sans Mono" '
        f'font-size="12.5" fill="#f4efe4"><rect width="760" height="{height}" fill="#14181c"/>{text}</svg>'
    )
    return resvg_py.svg_to_bytes(svg_string=svg, zoom=ZOOM)


def _lines() -> Iterable[str]:
    from recordings import day

    from benchd.commands.demo.screen import said_by_hand

    style = Style(zone=UTC, names=names_of(load_settings(CONFIG).bench))
    lines, engine = PlainLines(style), Engine(watcher_plan)
    for item in day.inputs():
        if isinstance(item, Mark) and item.verb in ("mix", "demolded"):
            body = {key: getattr(item, key) for key in ("lot", "mold", "grade", "a_g", "b_g", "molds")}
            known = {key: value for key, value in body.items() if value}
            yield f"{_hour(item.t)}        caster {said_by_hand({'verb': item.verb} | known)}"
        if isinstance(item, Mark) and item.verb == "demolded":
            return
        for effect in engine.step(item):
            row = _line(lines, effect)
            if row is not None:
                yield row


def _line(lines: PlainLines, effect: Effect) -> str | None:
    if isinstance(effect, MarkAnswer) and effect.ok:
        return None  # as the demo: the mark has been printed already
    row = lines.line(effect)
    is_shown = row is not None and "kick about" not in row and "source" not in row
    return row if is_shown else None


def _hour(t: float) -> str:
    return f"{int(t % 86400 // 3600):02d}:{int(t % 3600 // 60):02d}:{int(t % 60):02d}"


def main(names: list[str]) -> None:
    """Write the pictures named, else all."""
    sys.path.insert(0, str(HERE.parent))  # as pytest has it
    from phone_page import chromium
    from reports.cast_day import write_day

    def wanted(name: str) -> bool:
        return not names or name in names

    if any(wanted(name) for name in PAGES):
        with chromium() as phone:
            page = phone.new_page()
            for name in filter(wanted, PAGES):
                (HERE / f"{name}.png").write_bytes(kept(page_picture(page, name)))
    if any(wanted(name) for name in DRAWINGS):
        bench = load_settings(CONFIG).bench
        with tempfile.TemporaryDirectory() as folder:
            write_day(Path(folder) / "journal.db")
            for name in filter(wanted, DRAWINGS):
                png = asyncio.run(drawing_picture(Path(folder) / "journal.db", bench, name))
                (HERE / f"{name}.png").write_bytes(kept(png))
    if wanted("demo"):
        (HERE / "demo.png").write_bytes(kept(terminal_picture()))


if __name__ == "__main__":
    main(sys.argv[1:])
