"""A student's own copy of the lessons on a class server, and the start of that student's JupyterLab.

JupyterHub runs this file as the student, never as the administrator (``jupyter/hub_config.py``). It copies the lessons
that are missing from the student's folder, limits the memory, and becomes JupyterHub's server for one user. Whatever a
student puts in the way, even links to other files, it has no more rights than the student.

It uses Python's standard library alone and is run as a script: importing the workbook here would cost a second of
processor time at every login.
"""

from __future__ import annotations

import errno
import os
import runpy
import sys
import tempfile
from pathlib import Path

GROUP = "vocomp"
"""The system group whose members are the class."""
# The one file that knows where the lessons are; to import it would be to import the workbook.
_SHIPPED = runpy.run_path(str(Path(__file__).resolve().parents[1] / "sound" / "shipped_folders.py"))
NOTEBOOKS, FOLDER = _SHIPPED["NOTEBOOKS"], _SHIPPED["FOLDER"]
"""The lessons, and what the student's copy is called, in the home folder."""
_NO_LINKS = {getattr(errno, name, errno.EPERM) for name in ("EPERM", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EINVAL")}
"""What a disk without hard links says, such as a memory stick."""


def hand_out(folder, notebooks=NOTEBOOKS, pattern: str = "*.ipynb") -> list[Path]:
    """Copy the lessons and homeworks that are missing from a student's folder. What is there is never touched.

    Parameters
    ----------
    folder : path-like
        The student's; made if missing, so that only its owner can look in.
    notebooks : path-like, optional
        Where the lessons are. What is called ``my_…`` or hidden is not handed out.
    pattern : str, optional
        Which files, by their names.

    Returns
    -------
    list of Path
        The new files, in order. The student's copy of a lesson stays as it is, even if the student changed it or the
        workbook has a newer one. A lesson that was deleted or renamed comes back.

    Raises
    ------
    OSError
        If a file can't be written; none is left half written.
    """
    folder, notebooks, new = Path(folder), Path(notebooks), []
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=0o700, exist_ok=True)
    for source in sorted(filter(Path.is_file, notebooks.rglob(pattern))):
        name = source.relative_to(notebooks)
        if source.name.startswith("my_") or any(part.startswith(".") for part in name.parts):
            continue
        target = folder / name
        if not os.path.lexists(target) and _copied(source, target):
            new.append(target)
    return new


def _copied(source: Path, target: Path) -> bool:
    """Copy a file to a free name, whole or not at all; False if the name has been taken meanwhile."""
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(prefix=f".{target.stem}-", dir=target.parent)
    try:
        with open(handle, "wb") as file:
            file.write(source.read_bytes())
        os.chmod(beside, 0o644)
        _take_name(Path(beside), target)
    except FileExistsError:
        return False
    finally:
        os.unlink(beside)
    return True


def _take_name(beside: Path, target: Path) -> None:
    """Give a finished file its name; a FileExistsError if that has been taken: a rename would replace what is there."""
    try:
        os.link(beside, target)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        with open(target, "xb") as file:
            try:
                file.write(beside.read_bytes())
            except OSError:
                os.unlink(target)
                raise


def limit_memory(environment) -> None:
    """Limit the memory of this process, and of each process that it starts, to ``MEM_LIMIT`` (bytes) if that is set.

    JupyterHub passes ``Spawner.mem_limit`` on under this name, and leaves it to others to enforce it. Code that asks for
    more gets a MemoryError, and the rest of the class can work on. (The limit is RLIMIT_DATA, which on Linux counts all
    the writable memory that a process has asked for.)
    """
    import resource  # Unix only, like JupyterHub

    if asked := environment.get("MEM_LIMIT"):
        most = resource.getrlimit(resource.RLIMIT_DATA)[1]
        bound = int(float(asked)) if most == resource.RLIM_INFINITY else min(int(float(asked)), most)
        resource.setrlimit(resource.RLIMIT_DATA, (bound, bound))


def main(arguments) -> None:
    """Hand out the lessons, then become JupyterHub's server for one user, with these arguments; does not return."""
    folder = Path.home() / FOLDER
    try:
        for file in hand_out(folder):
            print(f"handed out: {file}", file=sys.stderr)
    except OSError as error:  # a full disk must not keep a student from the lessons that are there
        print(f"{folder} could not be completed ({error.strerror}: {error.filename}).", file=sys.stderr)
    limit_memory(os.environ)
    # -P: a file called json.py in the student's home folder must not be taken for Python's.
    sys.stderr.flush()
    os.execv(sys.executable, [sys.executable, "-P", "-m", "jupyterhub.singleuser", *arguments])


if __name__ == "__main__":
    main(sys.argv[1:])
