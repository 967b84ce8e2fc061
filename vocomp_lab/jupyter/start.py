"""Starting JupyterLab at the first lesson."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from vocomp_lab.jupyter.classroom import NOTEBOOKS

FIRST_LESSON = "00_start_here.ipynb"


def lab_environment() -> dict[str, str]:
    """The environment that makes JupyterLab start with the lesson, without asking about news and updates."""
    ours = str(Path(__file__).resolve().parent)
    paths = [ours, *filter(None, [os.environ.get("JUPYTER_CONFIG_PATH")])]
    return {**os.environ, "JUPYTER_CONFIG_PATH": os.pathsep.join(paths)}


def open_workbook(arguments) -> int:
    """Start JupyterLab in the browser, at the first lesson or the one named."""
    if not (NOTEBOOKS / arguments.notebook).is_file():
        print(f"notebook: there is no {arguments.notebook!r} in {NOTEBOOKS}.", file=sys.stderr)
        return 2
    command = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={NOTEBOOKS}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    if arguments.no_browser:
        command.append("--no-browser")
    command.append(f"--LabApp.default_url=/lab/tree/{arguments.notebook}")
    try:
        return subprocess.call(command, env=lab_environment(), cwd=NOTEBOOKS)
    except KeyboardInterrupt:  # Ctrl+C is how JupyterLab is ended
        return 0
