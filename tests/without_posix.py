"""The workbook on a system that has only what Windows has too: run as a program, it takes POSIX's modules and calls
away and then uses everything that a learner and a teacher use.

It stands in for a machine with Windows, which no test here has. Paths, the console and the loading of programs remain
those of this system, so it shows that the workbook doesn't need what is taken away, and no more.

As ``python without_posix.py FOLDER`` it imports all modules, runs lesson 04, answers homework and marks a class in that
folder. Without an argument it is the box for students' functions, in such a system.
"""

from __future__ import annotations

# What Python's own library takes from the system when it is loaded, it may keep: there it is made for each system.
import asyncio  # noqa: F401
import concurrent.futures.process  # noqa: F401
import ctypes  # noqa: F401
import fcntl
import json
import multiprocessing.connection  # noqa: F401
import multiprocessing.popen_spawn_posix  # noqa: F401
import multiprocessing.synchronize  # noqa: F401
import os
import runpy
import shutil  # noqa: F401
import signal
import subprocess
import sys
import tempfile  # noqa: F401
import types
import warnings
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[1]
MODULES = "resource fcntl pwd grp termios tty pty syslog posix_ipc readline".split()
CALLS = (
    "killpg fork forkpty getuid geteuid getgid getegid getgroups getpgid getpgrp getsid setuid seteuid setgid "
    "setegid setgroups setsid setpgid getpriority setpriority nice chown lchown fchown fchmod chroot mkfifo "
    "mknod uname sysconf statvfs fstatvfs wait wait3 wait4 waitid sched_getaffinity sched_setaffinity pread "
    "pwrite sendfile openpty ttyname getloadavg posix_spawn memfd_create O_TMPFILE O_NOFOLLOW O_DIRECTORY "
    "O_NONBLOCK O_NOATIME O_DSYNC"
).split()
SIGNALS = (
    "SIGKILL SIGHUP SIGQUIT SIGUSR1 SIGUSR2 SIGPIPE SIGALRM SIGCHLD SIGCONT SIGSTOP SIGTSTP SIGXCPU SIGXFSZ SIGWINCH "
    "alarm setitimer getitimer pause"
).split()


def take_away():
    """Take away what Windows doesn't have."""
    kill, lock, end = signal.SIGKILL, fcntl.flock, fcntl.LOCK_EX | fcntl.LOCK_NB

    def locking(number, mode, count):
        assert os.lseek(number, 0, os.SEEK_CUR) > 2**32, "what is locked on Windows can't be read"
        try:
            lock(number, end)
        except BlockingIOError:
            raise PermissionError(13, "Permission denied") from None

    subprocess.Popen.kill = lambda child: child.poll() is None and os.kill(child.pid, kill)
    sys.modules["msvcrt"] = types.ModuleType("msvcrt")
    sys.modules["msvcrt"].__dict__.update(locking=locking, LK_NBLCK=2)
    sys.modules |= dict.fromkeys(MODULES)
    for module, names in ((os, CALLS), (signal, SIGNALS)):
        for name in names:
            if hasattr(module, name):
                delattr(module, name)


def import_all():
    """Every module of the package but the one that JupyterHub reads, which doesn't run on Windows."""
    import vocomp_lab

    package = Path(vocomp_lab.__file__).parent
    names = [".".join(path.relative_to(package.parent).with_suffix("").parts) for path in sorted(package.rglob("*.py"))]
    for name in names:
        if not name.endswith((".hub_config", ".__init__", ".box_inside")):
            __import__(name)
    print(f"modules: {len(names)}")


def run_lesson():
    """Lesson 04, cell by cell."""
    from vocomp_lab.pictures.pictures import Picture

    Picture.render = lambda picture: os.urandom(8)  # pixels are the same everywhere, and take the longest
    space = {}
    notebook = json.loads((PROJECT / "notebooks" / "04_peak_control.ipynb").read_text("utf-8"))
    cells = ["".join(cell["source"]) for cell in notebook["cells"] if cell["cell_type"] == "code"]
    for number, code in enumerate(cells):
        exec(compile(code, f"<cell {number}>", "exec"), space)
    print(f"lesson 04: {len(cells)} cells")


def answer_homework():
    """Two learners answer homework 04 from its key: one all of it, the other, whom a Mac has named, two tasks."""
    from vocomp_lab.exercises.catalogue import pose, tasks_of
    from vocomp_lab.exercises.homework import Homework

    for learner, most in (("ann", None), ("zoe\u0308", 2)):
        home = Homework("04", learner=learner, folder="answers")
        for number, task in enumerate(tasks_of("04")[:most], start=1):
            print(f"{home.learner}: {home.give(number, pose('04', task, home.learner).key()).head}")


def mark_class():
    """A class of two; and while one marker is at work, another is kept away."""
    from vocomp_lab.__main__ import main
    from vocomp_lab.exercises.journal import Journal

    print("marked:", main(["mark", "answers", "--out", "marks.csv", "--workers", "1"]))
    with Journal(Path("marks.journal")):
        print("beside another:", main(["mark", "answers", "--out", "marks.csv"]))


if __name__ == "__main__" and len(sys.argv) == 1:
    take_away()
    runpy.run_path(str(PROJECT / "vocomp_lab" / "exercises" / "box_inside.py"), run_name="__main__")
elif __name__ in ("__main__", "__mp_main__"):
    # So do other people's packages; and a worker that marks comes by here as well.
    import scipy.signal  # noqa: F401
    import soundfile  # noqa: F401

    if __name__ == "__main__":
        import ipywidgets  # noqa: F401
        import matplotlib.pyplot  # noqa: F401

    take_away()
    from vocomp_lab.exercises import box

    box.INSIDE = Path(__file__)
    if __name__ == "__main__":
        # With -X warn_default_encoding: text is not read in the code page of the country.
        warnings.filterwarnings("error", category=EncodingWarning, module="vocomp_lab")
        os.chdir(sys.argv[1])
        import_all()
        run_lesson()
        answer_homework()
        mark_class()
