"""The marker's journal: each finished sheet is on the disk before it counts, so that a run that was stopped can go on.

It also keeps a second marker away from the same output: whoever has it open has locked it, and the system lifts the lock
when that process ends, however it ends.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from functools import cache
from pathlib import Path

from vocomp_lab.exercises.catalogue import written_files
from vocomp_lab.singer.song import DATA_FOLDER

FORMAT = "vocomp-lab marks"
_STARTS = (f'{{"journal": "{FORMAT}"'.encode(), b'{"key": "')  # the second one: as journals began before
_FAR = 2**40  # where Windows locks, so that what is written can be read meanwhile


class Journal:
    """Finished sheets, one a line, beside the table of marks.

    Parameters
    ----------
    path : Path
        Its folder must exist.

    Attributes
    ----------
    strange : bool
        Whether there was a file of that name that was not written here, by this user. It is written over, since
        whoever hands in sheets could have put it there, with marks in it.

    Raises
    ------
    ValueError
        When entered: if another marker has it open, or something else than a file has its name.
    """

    def __init__(self, path: Path):
        self._path = path
        self.strange = False

    def __enter__(self):
        if os.path.lexists(self._path) and not stat.S_ISREG(os.lstat(self._path).st_mode):
            raise ValueError(
                f"out: {self._path.name} is not an ordinary file; move it away, or give another name for the table."
            )
        self._file = open(self._path, "a+b")
        try:
            _lock(self._file)
        except BlockingIOError:
            self._file.close()
            raise ValueError(
                f"out: another marker is at work on {self._path.stem}; wait until it has ended, or give another name "
                f"for the table."
            ) from None
        head = _head(self._file)
        self._file.seek(0)
        if (begins := self._file.readline()) != head:
            self.strange = bool(begins) and not begins.startswith(_STARTS)
            self._file.truncate(0)
            self._file.write(head)
            self._file.flush()
        # If the last run was stopped within a line, the next line must not run into it.
        self._file.seek(-1, os.SEEK_END)
        if self._file.read(1) != b"\n":
            self._file.write(b"\n")
        return self

    def __exit__(self, *_):
        self._file.close()

    def known(self, keys) -> dict:
        """The marks of these keys, as far as they are done.

        A last line that was cut off, and anything else that is not an entry, counts as not done.
        """
        keys, known = set(keys), {}
        self._file.seek(0)
        for line in self._file:
            try:
                entry = json.loads(line)
                if entry["key"] in keys:
                    known[entry["key"]] = entry["mark"]
            except (ValueError, TypeError, KeyError, RecursionError):
                continue
        return known

    def add(self, key: str, mark: dict) -> None:
        """Write down a finished sheet."""
        line = json.dumps({"key": key, "mark": mark}, ensure_ascii=False).encode("utf-8", "backslashreplace")
        self._file.write(line + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())


def is_journal(path) -> bool:
    """Whether a file begins as a journal does."""
    try:
        if not stat.S_ISREG(os.lstat(path).st_mode):  # to open a pipe would be to wait for ever
            return False
        with open(path, "rb") as file:
            return file.read(len(_STARTS[0])).startswith(_STARTS)
    except OSError:
        return False


def _head(file) -> bytes:
    """The first line. It holds the number that the system has given to the file: a file that somebody hands in can't
    know the one that it will get.
    """
    about = os.fstat(file.fileno())
    return json.dumps({"journal": FORMAT, "file": f"{about.st_ino}-{about.st_uid}"}).encode() + b"\n"


def _lock(file) -> None:
    """Lock an open file; a BlockingIOError if somebody else has. Where a file system has no locks there is none."""
    try:
        try:
            import fcntl
        except ImportError:  # Windows
            import msvcrt

            file.seek(_FAR)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except PermissionError:  # how Windows says it
        raise BlockingIOError from None
    except OSError:
        pass


@cache
def workbook_digest() -> bytes:
    """A digest of everything that marks depend on, so that another workbook marks anew: the code (without pictures and
    widgets), the clips, and the tasks that teachers wrote.
    """
    package = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for module in sorted(package.rglob("*.py")):
        if module.relative_to(package).parts[0] not in ("pictures", "bench", "jupyter"):
            digest.update(module.relative_to(package).as_posix().encode() + b"\0" + module.read_bytes())
    for clip in sorted(DATA_FOLDER.glob("*.*")):
        digest.update(clip.name.encode() + b"\0" + clip.read_bytes())
    for name, path in sorted(written_files().items()):
        digest.update(name.encode() + b"\0" + path.read_bytes())
    return digest.digest()


def key_of(content: bytes) -> str:
    """The key of a sheet with this content, marked by this workbook."""
    return hashlib.sha256(workbook_digest() + content).hexdigest()
