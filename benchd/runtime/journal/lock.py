"""The lock that lets one process at a time write a journal; the kernel releases it when the process ends.

1. flock(2) on `<journal>.lock`, beside the file that the name resolves to, mode 0600; a kill releases it.  The file
   itself stays: a lock is on a file, not on a name, and a file made again under that name could be locked a second
   time.
2. It holds the owner's pid, for the message to a refused process.
3. Without the lock nothing is written.  Where its file cannot be made (a full or read-only disk, someone else's file)
   an existing journal may still be read, and each commit tries the lock again.
4. Where the file system does not support locks there is only a notice: such a bench had no lock before either.

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
TRIES = 10  # the file may be deleted between opening and locking it
MOST_PID_BYTES = 20


class JournalLock:
    """The lock of one journal.

    `notice` says, once taken, why it does not exclude other processes; empty if it does.
    """

    def __init__(self, journal: Path) -> None:
        self._journal = journal
        self._handle: int | None = None
        self._taken = Path()
        self.notice = ""

    @property
    def path(self) -> Path:
        """The path of the lock file: two names of one journal share one lock."""
        return Path(f"{os.path.realpath(self._journal)}.lock")

    @property
    def is_held(self) -> bool:
        """Whether we hold the lock, under the name it was taken by.  Checked before each commit; takes microseconds."""
        return self._handle is not None and _is_at(self._handle, self._taken)

    def take(self) -> None:
        """Take the lock, if we do not hold it already.

        Raises JournalInUse when another process holds it, JournalError when its file can be neither made nor opened.
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
        """Release the lock, so that others may write."""
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
            except BaseException:  # also a cancelled start: the descriptor would keep the lock
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
    """The lock file's handle, made if need be; read-only where no more is possible, which suffices for a lock."""
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
    """Give a file that root made to the folder's owner, as SQLite does with its files: a service must open it again."""
    with contextlib.suppress(OSError):
        owner = os.stat(folder)
        if os.geteuid() == 0 and owner.st_uid != 0:
            os.fchown(handle, owner.st_uid, owner.st_gid)


def _is_at(handle: int, path: Path) -> bool:
    """Whether this name still refers to this file."""
    try:
        named, ours = os.stat(path, follow_symlinks=False), os.fstat(handle)
    except OSError:
        return False
    return (named.st_dev, named.st_ino) == (ours.st_dev, ours.st_ino)


def _sign(handle: int) -> None:
    with contextlib.suppress(OSError):  # on a full or read-only disk the lock holds, without the pid
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)


def _signed(handle: int) -> str:
    try:
        text = os.pread(handle, MOST_PID_BYTES, 0).decode("ascii", "replace").strip()
    except OSError:
        text = ""
    return f"pid {text}" if text.isascii() and text.isdigit() else "another process"
