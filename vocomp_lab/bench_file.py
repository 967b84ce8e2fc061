"""Loading one's own voice into a lesson: dropped on the page, chosen, or by its path; with what it measures beside it.

Explained in ``09_your_own_vocal``.
"""

from __future__ import annotations

import html
import itertools
import re
import secrets
import tempfile
from importlib import resources
from pathlib import Path

import ipywidgets as widgets
from IPython.display import HTML, display

from vocomp_lab.audio import Clip, SoundReader, load
from vocomp_lab.checks import shown
from vocomp_lab.course import Lesson, begin
from vocomp_lab.report import examine

LONGEST_MIN = 20
MOST_CHANNELS = 32
_PIECE = re.compile(r"piece-(\d+)-of-(\d+)-([0-9a-f]+)-(.+)", re.DOTALL)

_STYLE = """<style>
.vocomp-drop{font-family:var(--jp-ui-font-family,sans-serif);font-size:14px;color:var(--jp-ui-font-color1,#111);
 max-width:1098px;
 border:2px dashed var(--jp-border-color0,#888);border-radius:4px;padding:12px;margin:4px 0;text-align:center}
.vocomp-drop[data-over]{border-color:#0072B2;border-style:solid}
.vocomp-own{color:var(--jp-ui-font-color1,#111);max-width:1120px;line-height:1.4;font-size:14px}
.vocomp-own table{border-collapse:collapse;font-size:13px}
.vocomp-own td,.vocomp-own th{text-align:left;vertical-align:top;padding:2px 10px 2px 0;
 border-bottom:1px solid var(--jp-border-color2,#ccc); white-space:normal;font-weight:normal}
.vocomp-own td:first-child{white-space:nowrap}
.vocomp-own tbody th{font-weight:600}
.vocomp-own .wrong{border-left:5px solid #D55E00;padding:2px 8px}
</style>"""


class OwnVocal:
    """A place on the page to load a recording, and what it measures.

    Parameters
    ----------
    lesson : Lesson
        As :func:`vocomp_lab.course.begin` gives it; its clip is what is loaded until another one is.

    Attributes
    ----------
    clip : Clip
        The recording that is loaded.
    name : str
        Of the file, or what the lesson began with.
    report : RecordingReport
        What it measures.

    Notes
    -----
    Put it last in a cell to show it. What can't be loaded is said in one sentence, and what was loaded before stays.
    Loads up to 20 minutes and 32 channels. Explained in ``09_your_own_vocal``.
    """

    _ids = itertools.count(1)

    def __init__(self, lesson: Lesson):
        if not isinstance(lesson, Lesson):
            raise ValueError(
                f"lesson: {shown(lesson)} is not allowed; give a lesson, such as begin('09_your_own_vocal')."
            )
        self._first = self._lesson = lesson
        self._id = f"f{next(self._ids)}-{secrets.token_hex(4)}"
        self._pieces: dict[str, dict[int, bytes]] = {}
        self._build()
        self._take(lesson.clip, lesson.clip_name, lesson)

    @property
    def lesson(self) -> Lesson:
        """The lesson, begun with the recording that is loaded now."""
        if self._lesson is None:
            self._lesson = begin(self._first.name, self.clip, self._first.folder.parent)
        return self._lesson

    def load(self, path) -> "OwnVocal":
        """Load a sound file by its path.

        Raises
        ------
        FileNotFoundError
            If there is no such file.
        ValueError
            If it is no sound file, or too long, or has too many channels; what was loaded before stays.
        """
        path = Path(path)
        with SoundReader(path) as reader:
            check_size(reader)
        clip = load(path)
        _check_length(path.name, clip.duration_s)
        self._take(clip, path.name, None)
        return self

    def _build(self):
        self._upload = widgets.FileUpload(
            accept=".wav,.flac,.aif,.aiff,.ogg,.w64,.rf64", multiple=False,
            description="Choose a file", tooltip="Choose a sound file from your disk",
            layout=widgets.Layout(width="180px"),
        )  # fmt: skip
        self._upload.add_class(f"vocomp-{self._id}-upload")
        self._upload.observe(self._on_upload, "value")
        self._path = widgets.Text(
            placeholder="my_take.wav", description="or its path", continuous_update=False,
            layout=widgets.Layout(width="420px"),
        )  # fmt: skip
        self._path.observe(self._on_path, "value")
        self._received = widgets.HTML(layout=widgets.Layout(display="none"))
        self._received.add_class(f"vocomp-{self._id}-received")
        self._note = widgets.HTML()
        self._told = widgets.HTML()
        self.widget = widgets.VBox([widgets.HBox([self._upload, self._path]), self._received, self._note, self._told])

    def _on_path(self, change):
        text = change["new"].strip().strip("\"'")
        if text:
            self._try(lambda: self.load(Path(text).expanduser()))

    def _on_upload(self, change):
        files = change["new"]
        if not files:
            return
        name, data = str(files[0]["name"]), bytes(files[0]["content"])
        self._upload.value = ()  # so that the same file can be chosen again
        piece = _PIECE.fullmatch(name)
        if piece is None:
            self._try(lambda: self._load_bytes(name, data))
            return
        number, count, token, name = int(piece[1]), int(piece[2]), piece[3], piece[4]
        got = self._pieces.setdefault(token, {})
        got[number] = data
        self._received.value = f"<span>{token}:{number};</span>"
        if len(got) == count:
            self._pieces.clear()
            self._try(lambda: self._load_bytes(name, b"".join(got[n] for n in sorted(got))))

    def _load_bytes(self, name: str, data: bytes):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / (Path(name.replace("\\", "/")).name or "upload")
            path.write_bytes(data)
            self.load(path)

    def _try(self, work):
        """Do what may fail, and say in the page how it went: a widget has nobody to raise to."""
        self._note.value = '<div class="vocomp-own" role="status">Measuring …</div>'
        try:
            work()
        except (ValueError, OSError) as error:
            told = html.escape(f"{error} {self.name} stays loaded.")
            self._note.value = f'<div class="vocomp-own wrong" role="alert">{told}</div>'

    def _take(self, clip: Clip, name: str, lesson: Lesson | None):
        report = examine(clip)
        self.clip, self.name, self.report, self._lesson = clip, name, report, lesson
        self._told.value = f'<div class="vocomp-own"><p><b>Loaded: {html.escape(name)}</b></p>{report.to_html()}</div>'
        after = " Now run the cells below." if lesson is None else ""
        self._note.value = f'<div class="vocomp-own" role="status">{html.escape(name)} is loaded.{after}</div>'

    def _ipython_display_(self):
        script = resources.files("vocomp_lab").joinpath("upload.js").read_text("utf-8").replace("__ID__", self._id)
        box = (
            f'<div class="vocomp-drop" id="vocomp-drop-{self._id}" role="group" aria-label="Drop a sound file here">'
            "Drag a sound file onto this box (WAV, FLAC, AIFF or OGG), or use the button below. "
            '<span data-part="note" role="status"></span></div>'
        )
        display(HTML(f"{_STYLE}{box}<script>{script}</script>"))
        display(self.widget)


def check_size(reader: SoundReader) -> None:
    """Refuse a sound file that is too long or has too many channels, before it is read; a ValueError in one sentence.

    The header may lie about the length, so :meth:`OwnVocal.load` looks again at what was read. Explained in
    ``09_your_own_vocal``.
    """
    name = reader.path.name
    if reader.channels > MOST_CHANNELS:
        raise ValueError(f"path: {name!r} has {reader.channels} channels; give a file of at most {MOST_CHANNELS}.")
    _check_length(name, reader.claimed_frames / reader.rate)


def _check_length(name: str, duration_s: float) -> None:
    if duration_s > 60 * LONGEST_MIN:
        minutes = f"{duration_s / 60:.0f} minutes"
        raise ValueError(f"path: {name!r} is {minutes} long; give one song, of at most {LONGEST_MIN} minutes.")
