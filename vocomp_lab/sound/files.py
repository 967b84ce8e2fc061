"""Files that appear whole or not at all: an older file of the same name stays until the new one is finished."""

from __future__ import annotations

import errno
import os
import secrets
from contextlib import contextmanager
from pathlib import Path

NO_ROOM = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))
"""What the system says where a disk takes no more."""
_WHAT_TO_DO = {
    errno.EACCES: "you may not open or change it; choose another place, or change its rights",
    errno.EPERM: "you may not open or change it; choose another place, or change its rights",
    errno.EROFS: "nothing can be written there; choose another folder",
    **dict.fromkeys(NO_ROOM, "the disk is full; make room, or choose another disk"),
    errno.ENAMETOOLONG: "the name is too long; give a shorter one",
    errno.ENOENT: "there is no such place; check the name",
    errno.ENOTDIR: "a part of it is a file and no folder; check the name",
    errno.EEXIST: "a file of that name is in the way; give another name",
    errno.EISDIR: "it is a folder; give the name of a file",
    errno.ELOOP: "its links lead round in a circle; give the file itself",
    errno.EMFILE: "too many files are open; close some and try again",
    errno.ENFILE: "too many files are open; close some and try again",
    errno.EBUSY: "something else is using it; close that and try again",
    errno.EIO: "its disk could not read or write it; try again, or take another disk",
}


def what_failed(error: OSError, name=None) -> str:
    """What the system refused, in one sentence that says which file it is about and what to do.

    Parameters
    ----------
    error : OSError
    name : str or path-like, optional
        What the file is called; default: what the system calls it.
    """
    if not error.strerror:  # it says so itself
        return " ".join(str(error).split())
    name = name or error.filename
    what = _WHAT_TO_DO.get(error.errno, f"the system says {error.strerror!r}; check the name and the place")
    return f"path: {quoted(name) if name else 'a file'} can't be used: {what}."


def is_taken(path) -> bool:
    """Whether something has this name, be it a link that leads nowhere.

    Raises
    ------
    OSError
        If the system can't tell.
    """
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return False
    return True


def quoted(name) -> str:
    """A file's name as a message quotes it, with the middle left out if it is very long."""
    name = os.fsdecode(name) if isinstance(name, bytes) else str(name)
    return repr(name if len(name) <= 120 else f"{name[:40]}…{name[-60:]}")


@contextmanager
def whole_or_not_at_all(path, overwrite: bool = True):
    """A name to write a file under. The file moves to `path` when the block ends, and vanishes after an error.

    Parameters
    ----------
    path : str or path-like
        Its folder is made if needed.
    overwrite : bool
        Whether a file that has this name by then is replaced. Without it, whoever finishes first has the name.

    Yields
    ------
    str
        A file to open and write, for this process only.

    Raises
    ------
    FileExistsError
        At the end, if the name is taken by then (also by a link that leads nowhere) and may not be replaced.
    OSError
        If the folder or file can't be made. It names the target, and not the name it was written under.

    Notes
    -----
    On Linux the new file has no name in any folder until it is finished, so even a killed process leaves nothing
    behind. Elsewhere, and on file systems without such files, it stands beside the target under a hidden name until
    then, and a killed process leaves it there.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.stem[:40]}-{secrets.token_hex(4)}{path.suffix[:20]}")
    handle = _nameless(path.parent)
    at, folder = str(beside) if handle is None else f"/proc/self/fd/{handle}", None
    try:
        if handle is None:
            beside.touch(exist_ok=False)
        yield at
        if handle is not None:
            # Only linkat follows this link, and Python uses linkat only when it is given a folder's handle.
            folder = os.open(path.parent, os.O_RDONLY)
        if overwrite:
            if handle is not None:
                os.link(at, beside, src_dir_fd=folder, follow_symlinks=True)
            os.replace(beside, path)
        else:
            _take_free_name(at, folder, beside, path)
    except OSError as error:
        about_it = error.filename in (str(beside), at) or (error.filename is None and error.errno in NO_ROOM)
        if error.strerror and about_it:
            raise OSError(error.errno, error.strerror, str(path)) from None
        raise
    finally:
        for number in (handle, folder):
            if number is not None:
                os.close(number)
        beside.unlink(missing_ok=True)


def _take_free_name(at: str, folder: int | None, beside: Path, path: Path) -> None:
    """Give a finished file its name, unless something has it: decided by the system in one step."""
    try:
        if folder is None:
            os.link(at, path)
        else:
            os.link(at, path, src_dir_fd=folder, follow_symlinks=True)
        return
    except FileExistsError:
        raise _taken(path) from None
    except OSError:
        if folder is not None:
            raise
    # A file system on which a file has one name only: an empty file holds the name until ours takes its place.
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except FileExistsError:
        raise _taken(path) from None
    try:
        os.replace(beside, path)
    except BaseException:
        path.unlink()
        raise


def _taken(path: Path) -> FileExistsError:
    return FileExistsError(
        f"path: {quoted(path)} was made by something else in the meantime, and stays as that made it; give another name."
    )


def write_whole(path, text: str, overwrite: bool = True) -> Path:
    """Write text to a file, in UTF-8 with line feeds, and put it in place in one step.

    Parameters
    ----------
    path : str or path-like
    text : str
    overwrite : bool
        As in :func:`whole_or_not_at_all`.

    Returns
    -------
    Path
        The path written to.

    Raises
    ------
    OSError
        If it can't be written; an older file stays as it was.
    """
    with whole_or_not_at_all(path, overwrite) as beside, open(beside, "w", encoding="utf-8", newline="\n") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    return Path(path)


def _nameless(folder: Path) -> int | None:
    """A handle of a new file without a name, or None where there are no such files."""
    if not hasattr(os, "O_TMPFILE") or not os.path.isdir("/proc/self/fd"):
        return None
    try:
        return os.open(folder, os.O_TMPFILE | os.O_RDWR, 0o666)
    except OSError:  # the folder's file system may not have them
        return None
