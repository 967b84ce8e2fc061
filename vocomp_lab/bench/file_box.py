"""A place on the page for one sound file: dropped, chosen, or by its path. Large files arrive in pieces (``upload.js``)."""

from __future__ import annotations

import html
import itertools
import re
import secrets
import tempfile
from pathlib import Path

import ipywidgets as widgets

from vocomp_lab.bench.player import page_script
from vocomp_lab.bench.recorder import LONGEST_MIN, MOST_SAMPLES
from vocomp_lab.sound.audio import Clip, SoundReader
from vocomp_lab.sound.checks import shown

MOST_CHANNELS = 32
MOST_BYTES, PIECE_BYTES = 512 << 20, 4 << 20
"""The largest file that the page sends, and the size of the pieces that it sends it in (``upload.js``)."""
_UNKNOWN = 1 << 62
"""The library reports more frames than this where a header doesn't say how many, as in a FLAC file from a pipe."""
_LONGEST_NAME = 56
"""In characters of up to four bytes each: file systems take 255 bytes."""


class FileBox:
    """Takes one sound file after another from the page, and says in the page how it went.

    Parameters
    ----------
    button : str
        What the button says that chooses a file.
    path, placeholder : str
        What stands before the field for a path, and in it until something is typed.

    Attributes
    ----------
    widget : ipywidgets.Widget
        Button, path, and the line that says how it went.

    Notes
    -----
    What is done with a file is for :meth:`load` of a subclass; what it raises is said in the page. ``stays`` says what is still
    there after a file that was refused.
    """

    _ids = itertools.count(1)

    def __init__(self, button: str, path: str, placeholder: str):
        self._id = f"f{next(self._ids)}-{secrets.token_hex(4)}"
        # The name holds this box's own id, so a student's file is never mistaken for a piece.
        self._piece = re.compile(rf"piece-(\d{{1,9}})-of-(\d{{1,9}})-{self._id}-([0-9a-f]{{1,32}})-(.*)", re.DOTALL)
        self._incoming: _Incoming | None = None
        self._upload = widgets.FileUpload(
            accept=".wav,.flac,.aif,.aiff,.ogg,.w64,.rf64", multiple=False,
            description=button, tooltip="Choose a sound file on your computer",
            layout=widgets.Layout(width="180px"),
        )  # fmt: skip
        self._upload.add_class(f"vocomp-{self._id}-upload")
        self._upload.observe(self._on_upload, "value")
        self._path = widgets.Text(
            placeholder=placeholder, description=path, continuous_update=False,
            layout=widgets.Layout(width="420px"),
        )  # fmt: skip
        self._path.observe(self._on_path, "value")
        self._received = widgets.HTML(layout=widgets.Layout(display="none"))
        self._received.add_class(f"vocomp-{self._id}-received")
        self._note = widgets.HTML()
        self._row = widgets.HBox([self._upload, self._path], layout=widgets.Layout(flex_flow="row wrap"))
        self.widget = widgets.VBox([self._row, self._received, self._note])

    def load(self, path):
        """Take a sound file by its path."""
        raise NotImplementedError

    @property
    def stays(self) -> str:
        """One sentence: what is still there after a file that was refused."""
        raise NotImplementedError

    def drop_html(self, label: str, text: str) -> str:
        """The place to drop a file on, with the page's scripts for it."""
        box = (
            f'<div class="vocomp-drop" id="vocomp-drop-{self._id}" role="group" aria-label="{html.escape(label)}">'
            f'{html.escape(text)} <span data-part="note" role="status"></span></div>'
        )
        return box + page_script(self._id, "pieces.js", "upload.js")

    def _on_path(self, change):
        text = change["new"].strip().strip("\"'")
        if text:
            self._try(lambda: self.load(_from_home(text)))

    def _on_upload(self, change):
        files = change["new"]
        if not files:
            return
        name, data = str(files[0]["name"]), bytes(files[0]["content"])
        self._upload.value = ()  # lets the same file be chosen again
        piece = self._piece.fullmatch(name)
        if piece is None:
            self._try(lambda: self._load_bytes(name, data))
            return
        number, count, token, name = int(piece[1]), int(piece[2]), piece[3], piece[4]
        if self._incoming is None or self._incoming.token != token and number == 1:
            # A file that isn't complete was left by a page that is gone.
            self._incoming = _Incoming(token, count)
        try:
            self._incoming.take(_file_name(name), token, number, count, data)
        except ValueError as error:
            self._incoming = None
            self._received.value = f"<span>{token}:refused;</span>"
            self._refuse(error)
            return
        self._received.value = f"<span>{token}:{number};</span>"
        if self._incoming.whole:
            pieces, self._incoming = self._incoming.pieces, None
            self._try(lambda: self._load_bytes(name, b"".join(pieces)))

    def _load_bytes(self, name: str, data: bytes):
        name = _file_name(name)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / name
            try:
                path.write_bytes(data)
            except OSError as error:
                reason = error.strerror or type(error).__name__
                raise ValueError(f"path: {name!r} can't be saved for reading ({reason}).") from None
            self.load(path)

    def _try(self, work):
        """Do work that may fail, and say in the page how it went: nobody would see a widget's exception."""
        self._note.value = '<div class="vocomp-own" role="status">Measuring …</div>'
        try:
            work()
        except (ValueError, OSError) as error:
            self._refuse(error)
        except MemoryError:
            self._refuse("path: this file needs more memory than this computer has; give a shorter part of it.")

    def _refuse(self, sentence):
        text = html.escape(f"{sentence} {self.stays}")
        self._note.value = f'<div class="vocomp-own wrong" role="alert">{text}</div>'

    def _say(self, sentence: str):
        self._note.value = f'<div class="vocomp-own" role="status">{html.escape(sentence)}</div>'


class _Incoming:
    """A file that arrives in pieces, one after another, from one page."""

    def __init__(self, token: str, count: int):
        self.token, self.count = token, count
        self.pieces: list[bytes] = []

    @property
    def whole(self) -> bool:
        return len(self.pieces) == self.count

    def take(self, name: str, token: str, number: int, count: int, data: bytes) -> None:
        """Add the next piece. The same piece twice does no harm; a ValueError says what does not fit."""
        if not 1 <= count <= MOST_BYTES // PIECE_BYTES or len(data) > PIECE_BYTES:
            megabytes = MOST_BYTES >> 20
            raise ValueError(
                f"path: {name!r} is over the {megabytes} MB that the page can take; put it beside the notebook and type its name."
            )
        here = len(self.pieces)
        again = number == here and here and self.pieces[-1] == data
        if token != self.token or count != self.count or not (number == here + 1 or again):
            raise ValueError(
                f"path: {name!r} did not arrive complete, because something came in between; send it again."
            )
        if not again:
            self.pieces.append(data)


def _file_name(name: str) -> str:
    """The name that a browser gives a file, without folders and invisible characters, and short enough for a disk."""
    name = "".join(char if char.isprintable() else "_" for char in name.replace("\\", "/").rpartition("/")[2]).strip()
    if len(name) > _LONGEST_NAME:
        name = f"{name[: _LONGEST_NAME - 16]}…{name[-15:]}"
    return "upload" if name in ("", ".", "..") else name


def _from_home(text: str) -> Path:
    """A typed path. A tilde at its start is the home folder."""
    try:
        return Path(text).expanduser()
    except RuntimeError:
        return Path(text)


def load_within_limits(path) -> tuple[Clip, str, str]:
    """A sound file of at most 20 minutes, 32 channels and 67 million samples; its name; and what to say if it breaks off.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        If it is no sound file, is too long, or has too many channels.
    """
    with SoundReader(path) as reader:
        check_size(reader)
        clip = reader.clip(lambda reader: _check_frames(reader, reader.frames_read))
        amiss = reader.cut_short()
        return clip, reader.path.name, f" {amiss.removeprefix('path: ')}" if amiss else ""


def check_size(reader: SoundReader) -> None:
    """Refuse a sound file that is too long or has too many channels before it is read, with a ValueError.

    The header may be wrong about the length, so :func:`load_within_limits` checks again while it reads.
    """
    if reader.channels > MOST_CHANNELS:
        name = shown(reader.path.name)
        raise ValueError(f"path: {name} has {reader.channels} channels; give a file of at most {MOST_CHANNELS}.")
    if reader.claimed_frames < _UNKNOWN:
        _check_frames(reader, reader.claimed_frames)


def _check_frames(reader: SoundReader, frames: int) -> None:
    name, minutes = shown(reader.path.name), frames / reader.rate / 60
    if minutes > LONGEST_MIN:
        raise ValueError(
            f"path: {name} is {minutes:.0f} minutes long or more; give one song of at most {LONGEST_MIN} minutes."
        )
    if frames * reader.channels > MOST_SAMPLES:
        most = MOST_SAMPLES / reader.channels / reader.rate / 60
        raise ValueError(
            f"path: {name} is longer than {most:.1f} minutes, which is the most for {reader.channels} channels at "
            f"{reader.rate} Hz; give a mono mix, or a shorter part."
        )
