"""Where the lessons and the clips are that come with the workbook: beside the package in a checkout, in it once installed.

A wheel carries both folders (``pyproject.toml``). What is installed belongs to the installation: an update replaces it, and on
many machines nobody may write there. So a learner works in a copy (``python -m vocomp_lab open``).

It uses Python's standard library alone, since ``jupyter/classroom.py`` runs it where importing the workbook takes too long.
"""

from __future__ import annotations

from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1]
APPENDICES, HOMEWORK = "appendices", "homework"
"""Folders in that of the lessons."""
FOLDER = "vocal_workbook"
"""What a learner's copy of the lessons is called, in the home folder."""
IS_INSTALLED = (PACKAGE / "notebooks").is_dir()
"""Whether the workbook was installed from a wheel; in a checkout the folders lie beside the package."""
_ABOVE = PACKAGE if IS_INSTALLED else PACKAGE.parent
NOTEBOOKS = _ABOVE / "notebooks"
"""The lessons and homeworks, as shipped."""
DATA_FOLDER = _ABOVE / "data_synthetic"
"""The clips, as shipped."""


def check_outside(folder) -> Path:
    """The folder as a Path, unless it lies where the workbook is installed (site-packages).

    Raises
    ------
    ValueError
        If it does: that place is for packages, and an update replaces what is there.
    """
    folder = Path(folder)
    if IS_INSTALLED and folder.resolve().is_relative_to(PACKAGE.parent):
        raise ValueError(f"folder: {str(folder)!r} is where packages are installed; give a folder of your own.")
    return folder
