"""Renders a report as text for a terminal and as a page for a browser: one document, two forms.

A document is a title and blocks; everything a person or a board named is escaped on the way to HTML, which asks for
nothing outside itself: its style and its charts (SVG) are in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from textwrap import wrap
from typing import Any

from benchd.core.format.plain_text import printable
from benchd.reports.drawing.paper import NARROW, WIDE, Sheet, style
from benchd.reports.markup import markup

WIDTH = 100
MANY = 5  # columns a phone can show side by side


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; `is_strong` for the one sentence that matters."""

    words: str
    is_strong: bool = False


@dataclass(frozen=True, slots=True)
class FactRows:
    """Names and what they are, one a line."""

    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Columns:
    """Columns with a heading each; cells are text, numbers already printed."""

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing, made anew for the width it is shown at; `words` say on a terminal what it shows."""

    draw: Callable[[float], Sheet]
    words: Sequence[str] = ()
    alone: Callable[[float], Sheet] | None = None
    """The same with its title, for a file of its own."""


Block = Text | FactRows | Columns | Drawing


@dataclass(slots=True)
class Document:
    """A report: `kind` and `id` name it for links, `data` is the same as numbers, for `--json`."""

    title: str
    kind: str = ""
    id: str = ""
    blocks: list[Block] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)

    @property
    def drawing(self) -> Drawing | None:
        """Its first drawing, if it has one."""
        return next((block for block in self.blocks if isinstance(block, Drawing)), None)

    def say(self, words: str, is_strong: bool = False) -> None:
        """Add a paragraph."""
        self.blocks.append(Text(words, is_strong))

    def facts(self, *rows: tuple[str, str | None]) -> None:
        """Facts that are known; those that are None are left out."""
        known = [(name, value) for name, value in rows if value is not None]
        if known:
            self.blocks.append(FactRows(known))

    def draw(self, drawing: Drawing | None) -> None:
        """Add a drawing; nothing for None."""
        if drawing is not None:
            self.blocks.append(drawing)

    def table(self, header: Sequence[str], rows: Sequence[Sequence[str]], caption: str = "") -> None:
        """Add a table; nothing if there are no rows."""
        if rows:
            self.blocks.append(Columns(header, rows, caption))


# ----------------------------------------------------------------------------------------------------------------- text


def to_text(document: Document) -> str:
    """The document for a terminal, ending with a line feed."""
    title = printable(document.title)
    parts = [f"{title}\n{'=' * min(len(title), WIDTH)}"]
    parts += [_block_text(block) for block in document.blocks]
    return "\n\n".join(part for part in parts if part) + "\n"


def _block_text(block: Block) -> str:
    match block:
        case Text(words):
            return "\n".join(wrap(printable(words), WIDTH))
        case FactRows(rows):
            wide = max(len(name) for name, _ in rows)
            return "\n".join(_fact(printable(name), printable(value), wide) for name, value in rows)
        case Columns(header, rows, caption):
            told = f"{printable(caption)}\n" if caption else ""
            return told + _columns([[printable(cell) for cell in row] for row in (header, *rows)])
        case Drawing(_, words):
            return "\n".join(printable(each) for each in words)


def _fact(name: str, value: str, wide: int) -> str:
    lines = wrap(value, max(24, WIDTH - wide - 2)) or [""]
    return "\n".join(f"{name if n == 0 else '':<{wide}}  {line}".rstrip() for n, line in enumerate(lines))


def _columns(rows: Sequence[Sequence[str]]) -> str:
    """Columns as wide as their longest cell; the last one is wrapped to what is left of the line."""
    wide = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    left = sum(wide[:-1]) + 2 * (len(wide) - 1)
    wide[-1] = min(wide[-1], max(24, WIDTH - left))
    lines: list[str] = []
    for row in rows:
        head = "".join(f"{cell:<{w}}  " for cell, w in zip(row[:-1], wide[:-1], strict=True))
        for n, part in enumerate(wrap(row[-1], wide[-1]) or [""]):
            lines.append(((head if n == 0 else " " * left) + part).rstrip())
    return "\n".join([lines[0], "-" * (sum(wide) + 2 * (len(wide) - 1)), *lines[1:]])


# ----------------------------------------------------------------------------------------------------------------- HTML

STYLE = (
    style()
    + """
:root{color-scheme:light dark;--ink:#16202b;--paper:#fbfaf7;--rule:#c9c4ba;--soft:#5d6672;--line:#1d5f8a;--warn:#9b2d1f}
@media (prefers-color-scheme:dark){:root{--ink:#eef0ee;--paper:#14181c;--rule:#41484f;--soft:#a3acb5;--line:#7dc3ee;
--warn:#ff9d8a}}
*{box-sizing:border-box}body{margin:0 auto;padding:1rem;max-width:54rem;background:var(--paper);color:var(--ink);
font:1.05rem/1.5 system-ui,sans-serif}h1{font-size:1.5rem;line-height:1.2;margin:.2rem 0 1rem}
p{margin:.6rem 0}p.strong{font-size:1.25rem;font-weight:650}
.wide{overflow-x:auto}table{border-collapse:collapse;width:100%;margin:.8rem 0;font-variant-numeric:tabular-nums}
caption{text-align:left;font-weight:650;padding:.3rem 0}
th,td{text-align:left;padding:.3rem .6rem .3rem 0;border-bottom:1px solid var(--rule);vertical-align:top}
th{font-weight:600;color:var(--soft)}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.15rem 1rem;margin:.8rem 0}dt{color:var(--soft)}dd{margin:0}
figure{margin:.6rem 0}.sheet{width:100%;height:auto;display:block}.phone{display:none}a{color:var(--line)}
@media (max-width:34rem){body{padding:.8rem}dl{grid-template-columns:8rem 1fr}.desk{display:none}.phone{display:block}
table{font-size:.92rem}th,td{padding-right:.45rem}
.many thead{display:none}.many tr{display:block;border-bottom:2px solid var(--rule);padding:.4rem 0}
.many td{display:flex;justify-content:space-between;gap:1rem;border:0;padding:.1rem 0;text-align:right}
.many td::before{content:attr(data-of);color:var(--soft);text-align:left}}
footer{margin-top:1.5rem;color:var(--soft);font-size:.9rem}
@media print{body{max-width:none;padding:0;font-size:10pt;background:#fff;color:#000}a{color:inherit}
table,figure,dl{break-inside:avoid}.desk{display:block}.phone{display:none}body{font-size:9pt;line-height:1.25}
.desk{max-height:118mm}td,th{padding-top:.15rem;padding-bottom:.15rem}
dl,table{margin:.35rem 0}h1{margin:0 0 .3rem}p.strong{font-size:1.1rem}}
@page{margin:12mm}
"""
)

CAUTION = (
    "A record, not a clearance: benchd is no safety device and a reading proves nothing about a pot. Before opening: "
    "bleed open, no hiss, dial at zero. Keep to the resin's safety data sheet and the pot's marking."
)


def to_html(document: Document, links: Sequence[tuple[str, str]] = ()) -> str:
    """The document as one self-contained page; `links` are (address, words) shown above it."""
    title = markup(document.title)
    anchors = " · ".join(f'<a href="{markup(a)}">{markup(w)}</a>' for a, w in links)
    nav = f"<nav>{anchors}</nav>" if anchors else ""
    body = "\n".join(_block_html(block) for block in document.blocks)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{title}</title><style>{STYLE}</style></head>\n"
        f"<body>{nav}<main><h1>{title}</h1>\n{body}\n</main><footer>{markup(CAUTION)}</footer></body></html>\n"
    )


def _block_html(block: Block) -> str:
    match block:
        case Text(words, is_strong):
            return f"<p{' class=strong' if is_strong else ''}>{markup(words)}</p>"
        case FactRows(rows):
            return "<dl>" + "".join(f"<dt>{markup(n)}</dt><dd>{markup(v)}</dd>" for n, v in rows) + "</dl>"
        case Columns(header, rows, caption):
            told = f"<caption>{markup(caption)}</caption>" if caption else ""
            head = "".join(f'<th scope="col">{markup(cell)}</th>' for cell in header)
            lines = "".join(f"<tr>{_cells_html(header, row)}</tr>" for row in rows)
            many = ' class="many"' if len(header) > MANY else ""
            table = f"<table{many}>{told}<thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"
            return f'<div class="wide">{table}</div>'
        case Drawing(draw):
            return f"<figure>{draw(WIDE).svg('sheet desk')}{draw(NARROW).svg('sheet phone')}</figure>"


def _cells_html(header: Sequence[str], row: Sequence[str]) -> str:
    """A row's cells, each with its column's name, which a narrow screen shows beside it."""
    pairs = zip(header, row, strict=True)
    return "".join(f'<td data-of="{markup(name)}">{markup(cell)}</td>' for name, cell in pairs)
