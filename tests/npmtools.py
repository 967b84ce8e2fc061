"""npm packages that only the tests use: pinned in tests/npm/package.json and installed there on first use."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
from pathlib import Path

from conftest import need_program

FOLDER = Path(__file__).resolve().parent / "npm"


def npm_package(name: str) -> Path:
    """The folder of a package from tests/npm/package.json; where it is missing or old, all of that file is installed.

    Processes that ask at the same time wait for the first. To add a package: `npm install NAME` in tests/npm.
    """
    pinned = json.loads((FOLDER / "package.json").read_text("utf-8"))["dependencies"][name]
    folder = FOLDER / "node_modules" / name
    if _version(folder) != pinned:
        npm = need_program("npm")
        with _alone():
            if _version(folder) != pinned:
                done = subprocess.run(
                    [npm, "ci", "--no-audit", "--no-fund"], cwd=FOLDER, capture_output=True, text=True, timeout=300
                )
                assert done.returncode == 0, f"npm ci in {FOLDER} failed:\n{done.stdout}\n{done.stderr}"
    assert _version(folder) == pinned, f"{folder} holds version {_version(folder)}, not {pinned}"
    return folder


def _version(folder: Path) -> str | None:
    """The version of an npm package in a folder; None where it is missing or not complete.

    npm writes node_modules/.package-lock.json last, so without that file an installation has not finished.
    """
    if not (FOLDER / "node_modules" / ".package-lock.json").exists():
        return None
    try:
        return json.loads((folder / "package.json").read_text("utf-8"))["version"]
    except (OSError, ValueError):
        return None


@contextlib.contextmanager
def _alone():
    """One process at a time; the system releases the lock when its holder ends, in whatever way."""
    with open(FOLDER / ".install.lock", "a+b") as file:
        if os.name == "nt":
            import msvcrt

            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        yield
