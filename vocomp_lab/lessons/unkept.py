"""What is said where nothing can be kept, since the folder of the lessons can't be written: why, and where to copy it.

A lesson, a homework or a game that can't keep anything still answers; this is its last sentence (README, "Without a checkout").
"""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from pathlib import Path

from vocomp_lab.sound.shipped_folders import APPENDICES, FOLDER, HOMEWORK

_FULL = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))


class NotKept(OSError):
    """Nothing could be kept; its text is one sentence, which says what to do.

    Parameters
    ----------
    error : OSError
        What came of writing.
    path : path-like
        The file or folder that was to be written.
    """

    def __init__(self, error: OSError, path):
        super().__init__(not_kept(error, path))


@contextmanager
def keeping(path):
    """Make a :class:`NotKept` of whatever goes wrong in writing a file or folder."""
    try:
        yield
    except NotKept:
        raise
    except OSError as error:
        raise NotKept(error, path) from None


def reason(error: OSError) -> str:
    """Why it went wrong, in the system's words."""
    return error.strerror or str(error).rstrip(".") or type(error).__name__


def not_kept(error: OSError, path) -> str:
    """One sentence: that nothing could be kept, why, and what to do.

    Parameters
    ----------
    error : OSError
        What came of writing.
    path : path-like
        The file or folder that was to be written.
    """
    folder = _of_lessons(Path(path).absolute())
    todo = "make room there, and do it again" if error.errno in _FULL else copy_it(folder)
    return f"Nothing could be kept, because {folder} can't be written to ({reason(error)}); {todo}."


def copy_it(folder) -> str:
    """What to do with a folder of lessons that can't be written to."""
    target = Path(os.path.expanduser(f"~/{FOLDER}")).absolute()
    if target == Path(folder).absolute():
        target = target.with_name(f"{FOLDER}_2")
    return f"copy that folder to {target} and open it with 'python -m vocomp_lab open --folder' and that name"


def _of_lessons(path: Path) -> Path:
    """The folder of the lessons that a file in it belongs to; where there is none, the file's own folder."""
    for folder in path.parents:
        if any(folder.glob("*.ipynb")):
            return folder.parent if folder.name in (APPENDICES, HOMEWORK) else folder
    return path.parent
