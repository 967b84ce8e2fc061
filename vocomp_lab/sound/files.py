"""Files that appear whole or not at all: an older file of the same name stays until the new one is finished."""

from __future__ import annotations

import os
import secrets
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole_or_not_at_all(path):
    """A name to write a file under. The file moves to `path` when the block ends, and vanishes after an error.

    Parameters
    ----------
    path : str or path-like
        Its folder is made if needed.

    Yields
    ------
    str
        A file to open and write, for this process only.

    Raises
    ------
    OSError
        If the folder or file can't be made.

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
    try:
        if handle is None:
            beside.touch(exist_ok=False)
            yield str(beside)
        else:
            yield f"/proc/self/fd/{handle}"
            # Only linkat follows this link, and Python uses linkat only when it is given a folder's handle.
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.link(f"/proc/self/fd/{handle}", beside, src_dir_fd=folder, follow_symlinks=True)
            finally:
                os.close(folder)
        os.replace(beside, path)
    finally:
        if handle is not None:
            os.close(handle)
        beside.unlink(missing_ok=True)


def write_whole(path, text: str) -> Path:
    """Write text to a file, in UTF-8 with line feeds, and put it in place in one step.

    Parameters
    ----------
    path : str or path-like
    text : str

    Returns
    -------
    Path
        The path written to.

    Raises
    ------
    OSError
        If it can't be written; an older file stays as it was.
    """
    with whole_or_not_at_all(path) as beside, open(beside, "w", encoding="utf-8", newline="\n") as file:
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
