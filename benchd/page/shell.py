"""Serves the page's own files: read once at start, by name; nothing else of the disk can be requested."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

STATIC = Path(__file__).parent / "static"
TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file's bytes, media type and entity tag."""

    body: bytes
    media_type: str
    tag: str

    async def answer(self, request: Request) -> Response:
        """The file, or 304 when the browser has it already.  Always asked again: a new daemon brings a new page."""
        headers = {"ETag": self.tag, "Cache-Control": "no-cache"}
        if request.headers.get("if-none-match") == self.tag:
            return Response(status_code=304, headers=headers)
        return Response(self.body, media_type=self.media_type, headers=headers)


def static_files(folder: Path = STATIC) -> dict[str, StaticFile]:
    """The page's files by name."""
    files: dict[str, StaticFile] = {}
    for path in sorted(folder.iterdir()):
        if path.suffix in TYPES:
            body = path.read_bytes()
            tag = f'"{hashlib.sha256(body).hexdigest()[:16]}"'
            files[path.name] = StaticFile(body, TYPES[path.suffix], tag)
    return files


def static_routes(files: dict[str, StaticFile]) -> list[Route]:
    """A route for each file, and `/` for the page itself."""
    named = {f"/{name}": file for name, file in files.items()} | {"/": files["index.html"]}
    return [Route(path, file.answer) for path, file in named.items()]
