"""What runs inside the box: a process of its own that lets a student's function calculate and nothing else.

:mod:`vocomp_lab.exercises.box` starts it as a script. It reads one job as JSON from its standard input. It writes an
empty line to its standard output when all is loaded, and then one line of JSON. The process outside trusts nothing of
that: it holds the expected answers, and does the comparing.
"""

import json
import math
import os
import sys
import time

NOBODY = 65534
_READ_FILE, _READ_FOLDER = 1 << 2, 1 << 3
_NO_NEW_PRIVILEGES = 38
_LANDLOCK_CREATE, _LANDLOCK_ADD, _LANDLOCK_RESTRICT = 444, 445, 446
# The rights that each version of the kernel's Landlock knows: files, network, reaching other processes.
_FILE_RIGHTS = {1: 13, 2: 14, 3: 15, 4: 15}
# Windows: bounds on a job's processes, of which it counts time in 100 ns; no window asks about one that crashes.
_JOB_EXTENDED_LIMITS = 9
_JOB_PROCESS_TIME, _JOB_ACTIVE_PROCESS, _JOB_PROCESS_MEMORY, _JOB_DIE = 0x2, 0x8, 0x100, 0x400
_TICKS_A_SECOND = 10_000_000
_LONGEST_MESSAGE = 200
_MOST_NUMBERS = 200_000
"""In one output; writing down more would take longer than the function may."""


def limit_resources(limits):
    """Set the limits that the system itself enforces.

    Returns whether there are any, and whether memory is bounded by them.
    """
    try:
        import resource
    except ImportError:  # Windows
        held = limit_by_job(limits)
        return held, held
    for name, most in (
        ("RLIMIT_CPU", limits["cpu_s"] + math.ceil(time.process_time())),
        # time spent loading NumPy and SciPy is not counted against the student
        ("RLIMIT_AS", limits["memory_bytes"]),
        ("RLIMIT_FSIZE", 0),
        ("RLIMIT_CORE", 0),
        ("RLIMIT_NOFILE", 32),
        ("RLIMIT_NPROC", 0),
    ):
        kind = getattr(resource, name, None)
        if kind is not None:
            # Past the soft limit on time comes a signal that says so; past the hard one the process is killed.
            hard = most + 1 if name == "RLIMIT_CPU" else most
            try:
                resource.setrlimit(kind, (most, hard))
            except (ValueError, OSError):  # macOS refuses some of them
                pass
    # macOS may take the bound and not hold to it.
    return True, sys.platform != "darwin" and 0 < resource.getrlimit(resource.RLIMIT_AS)[0] <= limits["memory_bytes"]


def limit_by_job(limits, kernel32=None):
    """Put this process into a job of Windows that bounds its memory, processor time and number of processes.

    True if Windows has done so. The handle is closed at once, so nothing can loosen the bounds again; they hold as long
    as the process lives. Names, numbers and layout are those of Windows' documentation
    (JOBOBJECT_EXTENDED_LIMIT_INFORMATION; values from memory).
    """
    try:
        import ctypes

        if kernel32 is None:
            kernel32 = ctypes.WinDLL("kernel32")
    except (ImportError, OSError, AttributeError):  # not Windows
        return False
    dword, size, handle = ctypes.c_uint32, ctypes.c_size_t, ctypes.c_void_p

    class Basic(ctypes.Structure):
        _fields_ = [
            ("PerProcessUserTimeLimit", ctypes.c_int64),
            ("PerJobUserTimeLimit", ctypes.c_int64),
            ("LimitFlags", dword),
            ("MinimumWorkingSetSize", size),
            ("MaximumWorkingSetSize", size),
            ("ActiveProcessLimit", dword),
            ("Affinity", size),
            ("PriorityClass", dword),
            ("SchedulingClass", dword),
        ]

    class Extended(ctypes.Structure):
        _fields_ = [
            ("BasicLimitInformation", Basic),
            ("IoInfo", ctypes.c_uint64 * 6),
            ("ProcessMemoryLimit", size),
            ("JobMemoryLimit", size),
            ("PeakProcessMemoryUsed", size),
            ("PeakJobMemoryUsed", size),
        ]

    for name, result, takes in (
        ("CreateJobObjectW", handle, (handle, ctypes.c_wchar_p)),
        ("SetInformationJobObject", ctypes.c_int, (handle, ctypes.c_int, ctypes.c_void_p, dword)),
        ("AssignProcessToJobObject", ctypes.c_int, (handle, handle)),
        ("GetCurrentProcess", handle, ()),
        ("CloseHandle", ctypes.c_int, (handle,)),
    ):
        function = getattr(kernel32, name)
        function.restype, function.argtypes = result, takes
    bounds = Extended()
    bounds.BasicLimitInformation.LimitFlags = _JOB_PROCESS_TIME | _JOB_ACTIVE_PROCESS | _JOB_PROCESS_MEMORY | _JOB_DIE
    bounds.BasicLimitInformation.PerProcessUserTimeLimit = _TICKS_A_SECOND * (
        limits["cpu_s"] + math.ceil(time.process_time())
    )
    bounds.BasicLimitInformation.ActiveProcessLimit = 1
    bounds.ProcessMemoryLimit = limits["memory_bytes"]
    job = kernel32.CreateJobObjectW(None, None)
    if not job:
        return False
    set_up = kernel32.SetInformationJobObject(job, _JOB_EXTENDED_LIMITS, ctypes.byref(bounds), ctypes.sizeof(bounds))
    held = bool(set_up) and bool(kernel32.AssignProcessToJobObject(job, kernel32.GetCurrentProcess()))
    kernel32.CloseHandle(job)
    return held


def shut_files(folders):
    """Let the kernel refuse all files, except Python's own for reading. True where it can (Linux 5.13 and later)."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        import ctypes
        import struct

        libc = ctypes.CDLL(None, use_errno=True)
        version = libc.syscall(_LANDLOCK_CREATE, None, 0, 1)
        if version < 1:
            return False
        rights = struct.pack("Q", (1 << _FILE_RIGHTS.get(version, 16)) - 1)
        if version >= 4:
            rights += struct.pack("Q", 0b11)
        if version >= 6:
            rights += struct.pack("Q", 0b11)
        rules = libc.syscall(_LANDLOCK_CREATE, rights, len(rights), 0)
        if rules < 0:
            return False
        for folder in folders:
            place = os.open(folder, os.O_RDONLY)
            libc.syscall(_LANDLOCK_ADD, rules, 1, struct.pack("=Qi", _READ_FILE | _READ_FOLDER, place), 0)
            os.close(place)
        libc.prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0)
        shut = libc.syscall(_LANDLOCK_RESTRICT, rules, 0) == 0
        os.close(rules)
        return shut
    except (ImportError, OSError, AttributeError):
        return False


def become_nobody():
    """Give up an administrator's rights; True if there were none or they are gone."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return True
    try:
        os.setgroups([])
        os.setgid(NOBODY)
        os.setuid(NOBODY)
    except OSError:
        return False
    return True


def under_any_of(folders, paths=os.path):
    """A function that tells whether a path is one of these folders or lies in one; `paths` knows the system's paths."""
    # Bound here, so that code which replaces a builtin does not replace it in the guard.
    is_a, text, real, between = isinstance, str, paths.realpath, paths.sep
    roots = tuple(real(folder) + between for folder in folders)

    def under(path):
        return is_a(path, text) and (real(path) + between).startswith(roots)

    return under


def refuse_the_rest(folders):
    """From here on Python refuses everything that a calculation doesn't need; only what is listed is allowed."""
    harmless = frozenset(
        "compile exec marshal.loads code.__new__ function.__new__ array.__new__ object.__getattr__ object.__setattr__ "
        "object.__delattr__ sys._getframe sys._getframemodulename builtins.id time.sleep sys.unraisablehook".split()
    )
    outside = frozenset("vocomp_lab ctypes _ctypes socket _socket subprocess _posixsubprocess multiprocessing".split())
    under = under_any_of(folders)
    writing = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
    # Bound here, so that code which replaces a builtin does not replace it in the guard.
    error = PermissionError

    def guard(event, details):
        if event in harmless:
            return
        if event == "import":
            name = details[0].partition(".")[0]
            if name not in outside:
                return
            raise error(f"import {name} is not allowed here")
        if event == "open" and not (details[2] or 0) & writing and under(details[0]):
            return
        if event == "os.listdir" and under(details[0]):
            return
        raise error(f"{event} is not allowed here")

    sys.addaudithook(guard)


class Waits(RuntimeError):
    """The function waits instead of calculating."""


def do_not_wait(*_):
    """Stands in for ``time.sleep``: not a protection, but it can say at once what is wrong."""
    raise Waits


class TooLong(ValueError):
    """The output holds far more numbers than any task asks for."""


def one_line(error):
    message = " ".join(str(error).split())[:_LONGEST_MESSAGE]
    return f"{type(error).__name__}: {message}" if message else type(error).__name__


def plain(value):
    """An output as a JSON number or a (nested) list of them; a TypeError that names the type for anything else."""
    if hasattr(value, "tolist"):
        if getattr(value, "size", 0) > _MOST_NUMBERS:
            raise TooLong(f"{value.size:,}")
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        if len(value) > _MOST_NUMBERS:
            raise TooLong(f"{len(value):,}")
        return [plain(part) for part in value]
    if isinstance(value, (int, float)):
        number = float(value)
        return number if math.isfinite(number) else repr(number)
    raise TypeError("None (is there a return?)" if value is None else type(value).__name__)


def unpack(value, numpy):
    """An input; lists marked as arrays become arrays."""
    if isinstance(value, dict):
        return numpy.array(value["array"], dtype=float)
    return value


def answer(job, numpy):
    """Run the student's source, then the function on every input."""
    space = {"__name__": "answer", "math": math}
    if numpy is not None:
        space.update(np=numpy, numpy=numpy)
    try:
        exec(compile(job["source"], "<answer>", "exec"), space)
    except BaseException as error:
        return what_went_wrong(error, "source")
    function = space.get(job["name"])
    if not callable(function):
        return {"trouble": "missing", "message": ""}
    outputs = []
    for inputs in job["calls"]:
        try:
            outputs.append(plain(function(*[unpack(value, numpy) for value in inputs])))
        except TypeError as error:
            # Did the function itself raise it, or `plain`, because of what the function returned?
            deeper = error.__traceback__.tb_next
            raised_inside = deeper is None or deeper.tb_frame.f_code is not plain.__code__
            kind = "raised" if raised_inside else "kind"
            return {"trouble": kind, "message": one_line(error) if raised_inside else str(error)}
        except BaseException as error:
            return what_went_wrong(error, "raised")
    return {"outputs": outputs}


def what_went_wrong(error, otherwise):
    """The trouble that an error stands for; most of them are told as they are."""
    if type(error) is NameError and getattr(error, "name", None):
        return {"trouble": "name", "message": str(error.name)[:_LONGEST_MESSAGE]}
    for kind, trouble in ((Waits, "waits"), (TooLong, "long"), (MemoryError, "memory")):
        if isinstance(error, kind):
            return {"trouble": trouble, "message": str(error)[:_LONGEST_MESSAGE]}
    return {"trouble": otherwise, "message": one_line(error)}


def main():
    job = json.loads(sys.stdin.buffer.read())
    numpy = None
    if job["numpy"]:
        import numpy
        import numpy.fft
        import numpy.linalg
        import numpy.random  # noqa: F401  (loaded before the files are shut)
    for module in job["modules"]:
        __import__(module)
    speak = os.dup(1)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(nowhere, number)
    os.close(nowhere)
    folders = [folder for folder in job["folders"] if os.path.isdir(folder)]
    kernel = shut_files(folders)
    limits, memory = limit_resources(job["limits"])
    sys.modules.pop("ctypes", None)
    guards = {"files": kernel, "limits": limits, "memory": memory, "rights": become_nobody()}
    dumps, write, leave = json.dumps, os.write, os._exit
    time.sleep = do_not_wait
    refuse_the_rest(folders)
    write(speak, b"\n")  # ready
    try:
        said = {**answer(job, numpy), "guards": guards}
    except BaseException as error:
        said = {"trouble": "raised", "message": type(error).__name__, "guards": guards}
    data = dumps(said).encode()
    while data:
        data = data[write(speak, data) :]
    leave(0)


if __name__ == "__main__":
    main()
