"""Writes text from outside into a page: escaped for HTML, without what would reorder or break a line.

Every word a report shows in HTML or SVG goes through here.
"""

from __future__ import annotations

import html

from benchd.core.format.plain_text import printable


def markup(text: str) -> str:
    """The text as written between tags or in a quoted attribute."""
    return html.escape(printable(text), quote=True)
