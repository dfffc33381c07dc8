"""Who may write this journal?  One process at a time, by a lock of the kernel's that ends with the process.

1. flock(2) on `<journal>.lock`, beside the file the name leads to, mode 0600; a kill takes the lock away.  The file
   itself stays: a lock is on a file, not on a name, and a name made anew could be locked a second time.
2. It holds the owner's pid, for whoever is refused.
3. Without the lock nothing is written.  Where its file cannot be made (a full or read-only disk, someone else's file) a
   journal that is there may still be read, and the lock is tried again with each commit.
4. Where the file system knows no locks there is only a notice: such a bench had no lock before either.

Everything here is synchronous.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
from pathlib import Path

from benchd.errors import JournalError, JournalInUse

NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL)
READ_ONLY = (errno.EROFS, errno.EACCES)
TRIES = 10  # the name may be taken away between opening and locking it
MOST_PID_BYTES = 20


class JournalLock:
    """The lock of one journal.  `notice` says, once taken, why it does not keep others out; empty if it does."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal
        self._handle: int | None = None
        self._taken = Path()
        self.notice = ""

    @property
    def path(self) -> Path:
        """Its file: two names of one journal have one lock."""
        return Path(f"{os.path.realpath(self._journal)}.lock")

    @property
    def is_held(self) -> bool:
        """Is it ours, under the name it was taken by?  Asked before each commit: some microseconds."""
        return self._handle is not None and _is_at(self._handle, self._taken)

    def take(self) -> None:
        """Lock it, if it is not ours already.

        Raises JournalInUse when another has it, JournalError when its file can be neither made nor opened.
        """
        path = self.path
        if path == self._taken and self.is_held:
            return
        try:
            handle = self._locked(path)
        except OSError as error:
            raise JournalError(f"{path.name}: {error.strerror or error}; nothing is written without it") from error
        self.release()
        self._handle, self._taken = handle, path

    def release(self) -> None:
        """Let others write."""
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)

    def _locked(self, path: Path) -> int:
        for _ in range(TRIES):
            handle = _opened(path)
            try:
                self._lock(handle)
                if _is_at(handle, path):
                    _sign(handle)
                    return handle
            except BaseException:
                os.close(handle)
                raise
            os.close(handle)
        raise OSError(errno.EAGAIN, "its file is taken away again and again")

    def _lock(self, handle: int) -> None:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            owner = _signed(handle)
            raise JournalInUse(f"{self._journal.name} is in use by {owner}: stop that benchd first") from error
        except OSError as error:
            if error.errno not in NO_LOCKS:
                raise
            self.notice = f"{self.path.name}: {error.strerror}; make sure that only one benchd writes this journal"


def _opened(path: Path) -> int:
    """The lock's file, made if need be; for reading only where that is all that can be had: a lock needs no more."""
    beyond = os.O_CLOEXEC | os.O_NOFOLLOW
    is_new = not path.exists()
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT | beyond, 0o600)
    except OSError as error:
        if error.errno not in READ_ONLY:
            raise
        return os.open(path, os.O_RDONLY | beyond)
    if is_new:
        _give_away(handle, path.parent)
    return handle


def _give_away(handle: int, folder: Path) -> None:
    """What root makes belongs to the folder's owner, as SQLite does with its files: a service must open it again."""
    with contextlib.suppress(OSError):
        owner = os.stat(folder)
        if os.geteuid() == 0 and owner.st_uid != 0:
            os.fchown(handle, owner.st_uid, owner.st_gid)


def _is_at(handle: int, path: Path) -> bool:
    """Does this name still mean this file?"""
    try:
        named, ours = os.stat(path, follow_symlinks=False), os.fstat(handle)
    except OSError:
        return False
    return (named.st_dev, named.st_ino) == (ours.st_dev, ours.st_ino)


def _sign(handle: int) -> None:
    with contextlib.suppress(OSError):  # a full or read-only disk keeps the lock, not the pid
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)


def _signed(handle: int) -> str:
    try:
        text = os.pread(handle, MOST_PID_BYTES, 0).decode("ascii", "replace").strip()
    except OSError:
        text = ""
    return f"pid {text}" if text.isascii() and text.isdigit() else "another process"
