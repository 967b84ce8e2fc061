"""Starting JupyterLab at the first lesson, in the folder that a learner works in."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from vocomp_lab.jupyter.classroom import hand_out
from vocomp_lab.lessons.unkept import copy_it, reason
from vocomp_lab.sound.shipped_folders import DATA_FOLDER, FOLDER, IS_INSTALLED, NOTEBOOKS, check_outside

FIRST_LESSON = "00_start_here.ipynb"


def lab_environment() -> dict[str, str]:
    """The environment that makes JupyterLab start with the lesson, without asking about news and updates."""
    ours = str(Path(__file__).resolve().parent)
    paths = [ours, *filter(None, [os.environ.get("JUPYTER_CONFIG_PATH")])]
    return {**os.environ, "JUPYTER_CONFIG_PATH": os.pathsep.join(paths)}


def learners_folder(given=None) -> Path:
    """The folder that a learner works in, with the lessons in it.

    Parameters
    ----------
    given : path-like, optional
        The learner's choice. Whatever is missing there is copied: lessons, homeworks, and the clips for use in other
        programs. By default the notebooks of a checkout as they are; where the workbook is installed, ``FOLDER`` in the
        home folder.

    Raises
    ------
    ValueError
        If it is a file, is part of the installation, or can't be written and holds no lessons yet.
    """
    if given is None and not IS_INSTALLED:
        return NOTEBOOKS
    folder = check_outside(os.path.expanduser(f"~/{FOLDER}" if given is None else given)).absolute()
    if folder.exists() and not folder.is_dir():
        raise ValueError(f"folder: {str(folder)!r} is a file; give a folder.")
    if folder.resolve() == NOTEBOOKS:
        return folder
    try:
        new = _complete(folder)
    except OSError as error:
        told = f"folder: {str(folder)!r} can't be filled with the lessons ({reason(error)})"
        if not (folder / FIRST_LESSON).is_file():
            raise ValueError(f"{told}; give another one.") from None
        print(f"{told}; what is there is opened.", file=sys.stderr)
        return folder
    copied = "1 file was" if len(new) == 1 else f"{len(new)} files were"
    print(f"{folder}: {copied} copied there; what was there already is as it was.", flush=True)
    return folder


def _complete(folder: Path) -> list[Path]:
    # Made here, since the class server's folders are closed to everyone else.
    clips = folder / DATA_FOLDER.name
    clips.mkdir(parents=True, exist_ok=True)
    return [*hand_out(folder), *hand_out(clips, DATA_FOLDER, "*")]


def open_workbook(arguments) -> int:
    """Start JupyterLab in the browser, at the first lesson or the one named."""
    folder = learners_folder(arguments.folder)
    if not (folder / arguments.notebook).is_file():
        print(f"notebook: there is no {arguments.notebook!r} in {folder}.", file=sys.stderr)
        return 2
    if not os.access(folder, os.W_OK):
        print(f"Nothing can be kept in {folder}, where you may not write; {copy_it(folder)}.", file=sys.stderr)
    command = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={folder}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    if arguments.no_browser:
        command.append("--no-browser")
    command.append(f"--LabApp.default_url=/lab/tree/{arguments.notebook}")
    try:
        return subprocess.call(command, env=lab_environment(), cwd=folder)
    except KeyboardInterrupt:  # Ctrl+C is how JupyterLab is ended
        return 0
