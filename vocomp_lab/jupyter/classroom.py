"""A student's own copy of the lessons on a class server, and the start of that student's JupyterLab.

JupyterHub runs this file as the student, never as the administrator (``jupyter/hub_config.py``): it hands out the
lessons that are missing in the student's folder, bounds the memory, and becomes JupyterHub's server for one user. So
whatever a student puts in the way, links to other files included, meets only the student's own rights.

It stands on Python's standard library alone, and is started as a file: importing the workbook here would cost every
login a second of processor time. The first lesson that a student sees is ``00_start_here``.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

GROUP = "vocomp"
"""The group of the system whose members are the class."""
NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"
FOLDER = "vocal_workbook"
"""A student's copy, in the home folder."""


def hand_out(folder, notebooks=NOTEBOOKS) -> list[Path]:
    """Copy the lessons and homeworks that are missing in a student's folder; what is there is never touched.

    Parameters
    ----------
    folder : path-like
        The student's; made if missing, then for its owner's eyes only.
    notebooks : path-like, optional
        Where the lessons are; own notebooks (``my_…``) and hidden ones stay there.

    Returns
    -------
    list of Path
        The new files, in order. A lesson that was changed or renamed by the student, or is newer in the workbook,
        stays as it is at the student's; one that was deleted comes back.

    Raises
    ------
    OSError
        If a file can't be written; none is left half written.

    Notes
    -----
    The lessons begin with ``00_start_here``.
    """
    folder, notebooks, new = Path(folder), Path(notebooks), []
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=0o700, exist_ok=True)
    for source in sorted(notebooks.rglob("*.ipynb")):
        name = source.relative_to(notebooks)
        if source.name.startswith("my_") or any(part.startswith(".") for part in name.parts):
            continue
        target = folder / name
        if not os.path.lexists(target) and _copied(source, target):
            new.append(target)
    return new


def _copied(source: Path, target: Path) -> bool:
    """Copy a file to a name that is free, whole or not at all; False if the name was taken meanwhile."""
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(prefix=f".{target.stem}-", dir=target.parent)
    try:
        with open(handle, "wb") as file:
            file.write(source.read_bytes())
        os.chmod(beside, 0o644)
        os.link(beside, target)  # a rename would take the place of a file that is there
    except FileExistsError:
        return False
    finally:
        os.unlink(beside)
    return True


def limit_memory(environment) -> None:
    """Bound the memory of this process and of each that it will start to ``MEM_LIMIT`` (bytes), if that is set.

    JupyterHub passes ``Spawner.mem_limit`` on under this name, and leaves it to others to see to it. What asks for more
    gets a MemoryError, and the rest of the class goes on. (The bound is RLIMIT_DATA, which on Linux counts all that a
    process has asked for to write in.)
    """
    import resource  # Unix only, as JupyterHub

    if asked := environment.get("MEM_LIMIT"):
        most = resource.getrlimit(resource.RLIMIT_DATA)[1]
        bound = int(float(asked)) if most == resource.RLIM_INFINITY else min(int(float(asked)), most)
        resource.setrlimit(resource.RLIMIT_DATA, (bound, bound))


def main(arguments) -> None:
    """Hand out, then go on as JupyterHub's server for one user with these arguments; does not return."""
    folder = Path.home() / FOLDER
    try:
        for file in hand_out(folder):
            print(f"handed out: {file}", file=sys.stderr)
    except OSError as error:  # a full disk must not keep a student from the lessons that are there
        print(f"{folder} could not be completed ({error.strerror}: {error.filename}).", file=sys.stderr)
    limit_memory(os.environ)
    # -P: a student's own file called json.py in the home folder is not to be taken for Python's.
    sys.stderr.flush()
    os.execv(sys.executable, [sys.executable, "-P", "-m", "jupyterhub.singleuser", *arguments])


if __name__ == "__main__":
    main(sys.argv[1:])
