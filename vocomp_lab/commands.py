"""What ``python -m vocomp_lab render`` and ``measure`` do, as ``__main__`` calls them.

Exit codes: 0 all is well, 1 something failed, 2 the command makes no sense, 130 stopped with Ctrl+C. Every failure is
reported in one sentence.
"""

from __future__ import annotations

import dataclasses
import json
import os
import signal
import stat
import sys
import time
import unicodedata
from contextlib import contextmanager
from pathlib import Path

from vocomp_lab import console
from vocomp_lab.analysis.file_levels import FileLevels, measure_file
from vocomp_lab.analysis.file_render import Rendered, check_target, plain_numbers, render_file, same_file
from vocomp_lab.processors.chain import Chain
from vocomp_lab.sound.files import is_taken, quoted, what_failed, whole_or_not_at_all, write_whole
from vocomp_lab.sound.text import clock, decibels, printable

FINE, FAILED, WRONG_USAGE = 0, 1, 2
SOUND_SUFFIXES = (".wav", ".flac", ".aif", ".aiff", ".ogg", ".w64", ".rf64")
"""What counts as a sound file in a folder."""
MAX_SHEET_BYTES = 16 << 20
_BAR_WIDTH = 40
_LINE = 80
_MOST_NAMED = 3
_BAR_EVERY_S = 0.1


def add_commands(commands) -> None:
    """Add `render` and `measure` to the command line's subparsers."""
    rendering = commands.add_parser(
        "render",
        help="run a settings sheet on a sound file of any length",
        description="Run a settings sheet on a sound file of any length, in little memory, and report what each stage did.",
    )
    rendering.add_argument("input", metavar="IN", help="a WAV, FLAC, AIFF or OGG file")
    rendering.add_argument(
        "--sheet", required=True, metavar="JSON", help="a settings sheet, as written by a lesson or by Chain.to_json"
    )
    rendering.add_argument(
        "-o", "--output", required=True, metavar="OUT", help="a .wav or .flac file; the report goes beside it"
    )
    rendering.add_argument(
        "--subtype", metavar="NAME", help="such as PCM_16, PCM_24 or FLOAT; default: FLOAT for .wav, PCM_24 for .flac"
    )
    rendering.add_argument("--overwrite", action="store_true", help="replace OUT and its report if they exist")
    rendering.add_argument("--no-report", action="store_true", help="write no report")
    rendering.set_defaults(work=render_command)
    measuring = commands.add_parser(
        "measure",
        help="print a table of the levels of sound files",
        description="Print the peak, true peak, RMS, crest factor, loudness, loudness range and noise floor of sound files of any length.",
    )
    measuring.add_argument("files", nargs="+", metavar="FILE", help="sound files, or folders of them")
    measuring.add_argument("--json", action="store_true", help="print JSON instead of a table")
    measuring.set_defaults(work=measure_command)


def render_command(arguments) -> int:
    """Render a file and write its report beside it, as ``.report.json`` and ``.report.png``."""
    target = Path(arguments.output)
    reports = [] if arguments.no_report else [target.with_suffix(".report.json"), target.with_suffix(".report.png")]
    try:
        check_target(arguments.input, target, arguments.subtype, arguments.overwrite)
        for path in (target, *reports):
            for kept, what in ((arguments.input, "input"), (arguments.sheet, "settings sheet")):
                if same_file(path, kept):
                    raise ValueError(f"output: {str(path)!r} is the {what} itself; give another name.")
        for path in reports:
            if is_taken(path) and not arguments.overwrite:
                raise ValueError(
                    f"output: the report {str(path)!r} exists already; give another name, --overwrite or --no-report."
                )
    except (ValueError, OSError) as error:
        return _report(error, WRONG_USAGE)
    with _ended_cleanly():
        try:
            with ProgressBar(target.name) as bar:
                chain = read_sheet(arguments.sheet)
                rendered = render_file(arguments.input, chain, target, arguments.subtype, arguments.overwrite, bar.show)
            if reports:
                write_report(rendered, *reports, arguments.overwrite)
        except KeyboardInterrupt:
            return _report(
                f"render: stopped before {target.name!r} and its report were finished; nothing half done is left behind.",
                FAILED,
            )
        except (ValueError, OSError, MemoryError) as error:
            return _report(error, FAILED)
    from vocomp_lab.pictures.render import findings

    print("\n".join([str(target), *(f"  {finding}" for finding in findings(rendered))]), flush=True)
    if rendered.before.cut_short:
        _report(rendered.before.cut_short, FINE)
    return FINE


def read_sheet(path) -> Chain:
    """The chain of a settings sheet in a file; a ValueError in one sentence if it holds none."""
    path = Path(path)
    if not path.is_file():
        raise ValueError(f"sheet: there is no file {quoted(path)}.")
    if path.stat().st_size > MAX_SHEET_BYTES:
        raise ValueError(f"sheet: {path.name!r} is too long for a settings sheet.")
    try:
        text = path.read_text("utf-8")
    except UnicodeDecodeError:
        raise ValueError(f"sheet: {path.name!r} is not UTF-8 text.") from None
    try:
        return Chain.from_json(text)
    except ValueError as error:
        raise ValueError(f"sheet: {path.name!r}: {error}") from None


def write_report(rendered: Rendered, json_path: Path, picture_path: Path, overwrite: bool = True) -> None:
    """Write the report on a rendering as JSON and as a picture, each whole or not at all, over older ones or not.

    The picture carries its text alternative as the PNG standard's ``Description``.
    """
    from vocomp_lab.pictures.render import render_figure
    from vocomp_lab.pictures.shown import described

    write_whole(json_path, rendered.to_json(), overwrite)
    figure = render_figure(rendered)
    with whole_or_not_at_all(picture_path, overwrite) as beside:
        figure.savefig(beside, format="png", metadata={"Description": described(figure)})


def measure_command(arguments) -> int:
    """Print the levels of files, and of the sound files in folders; one that can't be read doesn't stop the others.

    In folders, hidden files are passed over, and it says so: they are what other programs keep beside a sound file, or
    what a command left that was killed.
    """
    paths, failed, rows = [], False, []
    for given in map(Path, arguments.files):
        try:
            found = _sounds_in(given) if given.is_dir() else [given]
        except OSError as error:
            failed = bool(_report(error, FAILED))
            rows.append({"file": str(given), "error": said(error)})
            continue
        if not found:
            failed = bool(_report(f"files: there is no sound file in {quoted(given)}.", FAILED))
        paths += found
    width = max((len(console.as_printed(str(path))) for path in paths), default=0)
    if paths and not arguments.json:
        print(table_head(width), flush=True)
    for path in paths:
        if console.nobody_reads():
            break
        try:
            levels = measure_file(path)
        except (ValueError, OSError, MemoryError) as error:
            failed = bool(_report(error, FAILED))
            rows.append({"file": str(path), "error": said(error)})
            continue
        rows.append({"file": str(path), **dataclasses.asdict(levels)})
        if not arguments.json:
            print(table_row(console.as_printed(str(path)), levels, width), flush=True)
        if levels.cut_short:
            _report(levels.cut_short, FINE)
    if arguments.json:
        print(json.dumps(plain_numbers(rows), indent=2, allow_nan=False))  # ASCII, so that any console takes any name
    return FAILED if failed else FINE


def _sounds_in(folder: Path) -> list[Path]:
    """The sound files of a folder, in order; says which hidden ones are passed over."""
    sounds = sorted(path for path in folder.iterdir() if path.suffix.lower() in SOUND_SUFFIXES)
    hidden = [quoted(path.name) for path in sounds if path.name.startswith(".")]
    if hidden:
        more = "" if len(hidden) <= _MOST_NAMED else f" and {len(hidden) - _MOST_NAMED} more"
        _report(f"files: hidden in {quoted(folder)} and passed over: {', '.join(hidden[:_MOST_NAMED])}{more}.", FINE)
    return [path for path in sounds if not path.name.startswith(".") and _may_be_a_file(path)]


def _may_be_a_file(path: Path) -> bool:
    """Whether a name stands for an ordinary file, or for something that only opening it will tell."""
    try:
        return stat.S_ISREG(os.stat(path).st_mode)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:  # a folder that may be listed and not entered
        return True


# Heading, unit, decimals and field of each column of numbers.
_TABLE = (
    ("rate", "Hz", 0, "rate"),
    ("ch", "", 0, "channels"),
    ("peak", "dBFS", 1, "peak_dbfs"),
    ("true peak", "dBTP", 1, "true_peak_dbtp"),
    ("RMS", "dBFS", 1, "rms_dbfs"),
    ("crest", "dB", 1, "crest_db"),
    ("loudness", "LUFS", 1, "loudness_lufs"),
    ("range", "LU", 1, "range_lu"),
    ("floor", "dBFS", 1, "noise_floor_dbfs"),
)
_COLUMN = 9


def table_head(width: int) -> str:
    """The two lines above a table of levels: each column's name and unit."""
    names = "".join(f"{name:>{_COLUMN + 1}}" for name, *_ in _TABLE)
    units = "".join(f"{unit:>{_COLUMN + 1}}" for _, unit, *_ in _TABLE)
    return f"{'file':{width}}{'length':>11}{names}\n{'':{width}}{'h:min:s':>11}{units}"


def table_row(name: str, levels: FileLevels, width: int) -> str:
    """A file's line in a table of levels."""
    numbers = [console.as_printed(decibels(getattr(levels, field), digits)) for _, _, digits, field in _TABLE]
    cells = "".join(f"{number:>{_COLUMN + 1}}" for number in numbers)
    return f"{name:{width}}{clock(levels.duration_s, 1, hours=True):>11}{cells}"


class ProgressBar:
    """A bar on the standard error stream that fills as the work goes on; shown only where that is a terminal."""

    def __init__(self, label: str = "", stream=None):
        self.label, self.stream = label, sys.stderr if stream is None else stream
        self.shown = self.stream is not None and self.stream.isatty()
        self.started = self.last = time.monotonic()
        self._drawn = 0

    def show(self, share: float, label: str | None = None) -> None:
        """Show that this share of the work, 0 to 1, is done; `label` replaces what is written behind the bar."""
        self.label = self.label if label is None else label
        now = time.monotonic()
        if not self.shown or (now - self.last < _BAR_EVERY_S and share < 1.0):
            return
        self.last = now
        left_s = (now - self.started) * (1.0 - share) / share if share > 0 else 0.0
        done = int(_BAR_WIDTH * share)
        bar = "#" * done + "." * (_BAR_WIDTH - done)
        # A line as wide as the terminal would wrap, and then the next one could not be written over it.
        line = _cut(f"[{bar}] {100 * share:3.0f} %, {left_s:4.0f} s left  {printable(self.label)}", self._room())
        columns = sum(map(_columns, line))
        spaces = " " * max(self._drawn - columns, 0)  # over what a longer label left
        self._drawn = columns
        print(f"\r{line}{spaces}", end="", file=self.stream, flush=True)

    def _room(self) -> int:
        """Columns that a line may take: 79, or fewer on a narrower terminal."""
        try:
            columns = os.get_terminal_size(self.stream.fileno()).columns
        except (OSError, ValueError):  # not a real terminal, or one that doesn't say
            columns = 0
        return min(columns or _LINE, _LINE) - 1

    def __enter__(self):
        return self

    def __exit__(self, *error):
        if self.shown and self.last > self.started:
            print(file=self.stream, flush=True)


def _columns(letter: str) -> int:
    """How many columns of a terminal a letter takes."""
    return 0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1


def _cut(line: str, room: int) -> str:
    """A line, cut off where it takes more columns than there are; three dots say so."""
    if sum(map(_columns, line)) <= room:
        return line
    while line and sum(map(_columns, line)) > room - 3:
        line = line[:-1]
    return line + "..."[: max(room, 0)]


@contextmanager
def _ended_cleanly():
    """Treat a request to end (SIGTERM, or SIGHUP from a terminal that closes) like Ctrl+C, so that half-done files are
    removed.
    """

    def stop(number, frame):
        raise KeyboardInterrupt

    before = {}
    try:
        for number in (getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)):
            if (
                signal.getsignal(number) is not signal.SIG_IGN
            ):  # as with nohup, which lets a command outlive its terminal
                before[number] = signal.signal(number, stop)
    except ValueError:  # only the main thread may
        pass
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def said(error) -> str:
    """What went wrong, in one sentence on one line."""
    if isinstance(error, MemoryError):
        return "memory: there is not enough for this."
    if isinstance(error, OSError):
        return what_failed(error)
    return " ".join(str(error).split())


def _report(error, code: int) -> int:
    """Print what went wrong on the standard error stream; gives the exit code."""
    print(said(error), file=sys.stderr, flush=True)
    return code
