"""Reads a secret from a file that only its owner may read, or that the service supervisor handed over."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from benchd.errors import OutletError
from benchd.runtime.files.regular_file import INSTEAD, NotAFileError, read_regular

LARGEST_BYTES = 65_536


def read_private(path: Path, what: str) -> str:
    """The text of a private file.

    Raises OutletError, which names `what` and the file but quotes none of its content.
    """
    try:
        mode = path.stat().st_mode
        if mode & (stat.S_IRWXG | stat.S_IRWXO) and not _is_credential(path):
            raise OutletError(f"{what}: others may read {path}; write: chmod 600 {path}")
        return read_regular(path)[:LARGEST_BYTES].decode("utf-8")
    except NotAFileError as error:
        raise OutletError(f"{what}: {path} {error.strerror}; {INSTEAD}") from error
    except UnicodeDecodeError:
        raise OutletError(f"{what}: {path} is not UTF-8 text") from None
    except OSError as error:
        raise OutletError(f"{what}: {path}: {error.strerror or error}") from error


def _is_credential(path: Path) -> bool:
    given = os.environ.get("CREDENTIALS_DIRECTORY")
    return bool(given) and path.resolve().is_relative_to(Path(str(given)).resolve())
