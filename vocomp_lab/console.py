"""How the command line and its console get on: signs that a console lacks, output that nobody reads, being stopped.

This is loaded before everything else, since loading the rest takes a second, in which somebody may press Ctrl+C. So it
needs only what Python has loaded anyway.
"""

from __future__ import annotations

import codecs
import errno
import os
import signal
import sys
import unicodedata

STOPPED = 130
"""The exit code of a command that was stopped with Ctrl+C, as shells give it."""
PLAIN = {
    "−": "-", "–": "-", "—": "-", "‑": "-", "₋": "-", "±": "+-", "×": "x", "·": "*", "÷": "/", "√": "sqrt ", "∞": "inf",
    "≈": "~", "≤": "<=", "≥": ">=", "→": "->", "▸": ">", "…": "...", "“": '"', "”": '"', "„": '"', "’": "'", "‘": "'",
    "✓": "ok", "✔": "ok", "✗": "no", "✘": "no", "τ": "tau", "π": "pi", "Σ": "sum", "Δ": "delta ", "µ": "u", "°": " deg",
    "₀": "0", "₁": "1", "₂": "2", "¹": "^1", "²": "^2", "³": "^3", "•": "*", "●": "o", "■": "#", "†": "+", "€": "EUR",
    "£": "GBP", "\N{NO-BREAK SPACE}": " ", "\N{THIN SPACE}": " ", "\N{NARROW NO-BREAK SPACE}": " ",
    "\N{BYTE ORDER MARK}": "", "\N{REPLACEMENT CHARACTER}": "?",
}  # fmt: skip
"""What stands for a sign where the console has none. Letters become escapes instead: a name has to stay exact."""
_HANDLER = "vocomp-lab-plain"


class OutputLost(Exception):
    """What was to be printed could not be written, as on a full disk. No OSError, or it would be taken for a file's."""


def plain_signs(text: str, encoding: str | None) -> str:
    """`text` as a console with this encoding can show it: signs that it lacks become plain ones, letters escapes."""
    try:
        text.encode(encoding or "utf-8")
    except UnicodeEncodeError:
        # A letter and its accent, apart as in a Mac's file names, may be one that the console has.
        return unicodedata.normalize("NFC", text).encode(encoding or "utf-8", _HANDLER).decode(encoding or "utf-8")
    return text


def as_printed(text: str) -> str:
    """`text` as it will stand on the standard output, so that the columns of a table can be as wide as they will be."""
    return plain_signs(text, getattr(sys.stdout, "encoding", None))


def nobody_reads() -> bool:
    """Whether whoever read the standard output has gone, as ``head`` does after a few lines."""
    return getattr(sys.stdout, "gone", False)


def quiet_while_loading() -> None:
    """End at once and without a traceback when Ctrl+C is pressed, from now on, if this is ``python -m vocomp_lab``.

    Nothing is written while the package loads, so nothing needs to be cleaned up.
    """
    # Python's documented sign that it is still looking for the module that it is to run.
    if sys.argv[:1] == ["-m"] and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _end_at_once)


def let_it_clean_up() -> None:
    """From here on Ctrl+C raises a KeyboardInterrupt: for commands that write files."""
    if signal.getsignal(signal.SIGINT) is _end_at_once:
        signal.signal(signal.SIGINT, _asked)


def run(command) -> int:
    """Run a command on the standard streams, whatever they are; gives its exit code.

    Parameters
    ----------
    command : callable
        Gives an exit code. 130 is given if it is stopped, 1 if its output can't be written. A reader who has gone is no
        failure: then nothing more is printed, and the exit code is the command's own.
    """
    streams, handler = (sys.stdout, sys.stderr), signal.getsignal(signal.SIGINT)
    _asked.so = False
    _hold_standard_numbers()
    sys.stdout, sys.stderr = _Stream(sys.stdout, must_arrive=True), _Stream(sys.stderr, must_arrive=False)
    try:
        try:
            return command()
        finally:
            sys.stdout.flush()
    except OutputLost as error:
        print(error, file=sys.stderr)
        return 1
    except (KeyboardInterrupt, Exception) as error:
        # What is interrupted may make another error of it: NumPy, half loaded, says that it is badly installed.
        if isinstance(error, KeyboardInterrupt) or _asked.so:
            print("Stopped.", file=sys.stderr)
            return STOPPED
        raise
    finally:
        sys.stderr.flush()
        sys.stdout, sys.stderr = streams
        if signal.getsignal(signal.SIGINT) is _asked:
            signal.signal(signal.SIGINT, handler)


class _Stream:
    """A standard stream that takes any text and lets nobody wait who has stopped reading."""

    def __init__(self, stream, must_arrive: bool):
        self._stream = open(os.devnull, "w", encoding="utf-8") if stream is None else stream
        self._must_arrive = must_arrive
        self.gone = False

    def __getattr__(self, name):
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        self._try(self._stream.write, plain_signs(text, getattr(self._stream, "encoding", None)))
        return len(text)

    def flush(self) -> None:
        self._try(self._stream.flush)

    def _try(self, act, *given) -> None:
        if self.gone:
            return
        try:
            act(*given)
        except OSError as error:
            self._let_go()
            # Windows says EINVAL where others say that the pipe is broken.
            unread = error.errno == errno.EPIPE or (os.name == "nt" and error.errno == errno.EINVAL)
            if self._must_arrive and not unread:
                raise OutputLost(f"output: what was to be printed can't be written ({error.strerror}).") from None

    def _let_go(self) -> None:
        """What is left in the buffer goes nowhere, or Python would complain about it at its end."""
        self.gone = True
        try:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)
        except (OSError, ValueError, AttributeError):  # no file of the system's
            pass


class _Asked:
    """Raises a KeyboardInterrupt as Python does, and remembers that it was asked to."""

    so = False

    def __call__(self, number, frame):
        self.so = True
        raise KeyboardInterrupt


_asked = _Asked()


def _end_at_once(number, frame) -> None:
    os._exit(STOPPED)


def _hold_standard_numbers() -> None:
    """Where a standard stream is closed, let nothing else have its number: a library could print into a sound file."""
    if None in (sys.stdin, sys.stdout, sys.stderr):
        while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
            os.set_inheritable(number, True)
        os.close(number)


def _plain(error):
    letters = error.object[error.start : error.end]
    return "".join(
        PLAIN.get(letter, letter.encode("ascii", "backslashreplace").decode()) for letter in letters
    ), error.end


codecs.register_error(_HANDLER, _plain)
