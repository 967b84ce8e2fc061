"""Which voice a lesson is about: any that is named, or the one that a student chose for all lessons, kept as ``voice.json`` in the folder of all sheets.

A file of the student's own is copied beside its sheets, as it is, so that the choice outlives the file's name and place.
It is chosen in lesson 00 (:class:`vocomp_lab.bench.voice_choice.VoiceChoice`) or in lesson 09.
"""

from __future__ import annotations

import contextlib
import datetime
import difflib
import hashlib
import json
import re
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.lessons.unkept import keeping
from vocomp_lab.singer.song import Take, shipped, shipped_names
from vocomp_lab.sound.audio import Clip, check_path, load
from vocomp_lab.sound.checks import shown
from vocomp_lab.sound.files import whole_or_not_at_all, write_whole
from vocomp_lab.sound.shipped_folders import APPENDICES, HOMEWORK

STATE_FOLDER = ".state"
DIGEST_LENGTH = 10
SHEET = "voice.json"
WORKBOOKS_VOICE = "lesson_verse_faulty"
"""Where nothing was chosen."""
SINGERS = {
    "lesson_verse_faulty": "the workbook's first singer, her verse",
    "second_verse_faulty": "the workbook's second singer, his verse",
    "song_faulty": "the workbook's first singer, verse and chorus",
}
"""The workbook's voices that the page offers, and what it calls them."""


@dataclass(frozen=True)
class Choice:
    """A chosen voice.

    Parameters
    ----------
    name : str
        A clip that comes with the workbook, or the name of the student's file.
    file : str
        Where the copy of that file is, from the folder of all sheets; empty for the workbook's clips.

    Raises
    ------
    ValueError
        If a name without a file isn't one of the workbook's clips, or the file lies elsewhere.
    """

    name: str
    file: str = ""

    def __post_init__(self):
        if not isinstance(self.name, str) or not isinstance(self.file, str) or not self.name:
            raise ValueError(f"voice: {shown([self.name, self.file])} is not allowed; give a name and a file.")
        if not self.file and self.name not in shipped_names():
            raise ValueError(f"voice: {shown(self.name)} does not come with the workbook; give one of its clips.")
        if self.file and (Path(self.file).is_absolute() or ".." in Path(self.file).parts):
            raise ValueError(f"voice: {shown(self.file)} is not allowed; give a file in the folder of the sheets.")

    @property
    def spoken(self) -> str:
        """What people call it."""
        return SINGERS.get(self.name, self.name)


def read_choice(parent: Path) -> Choice | str | None:
    """The choice that was kept in the folder of all sheets, or what is wrong with it, or None if nothing was chosen."""
    path = parent / SHEET
    try:
        kept = json.loads(path.read_text("utf-8"))
        choice = Choice(kept["name"], kept["file"])
        if choice.file and not (parent / choice.file).is_file():
            return f"the copy of {choice.name}, the voice that was chosen, is gone"
        return choice
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        return f"{SHEET}, which says what voice was chosen, can't be read ({' '.join(str(error).split()).rstrip('.')})"


def write_choice(parent: Path, choice: Choice) -> None:
    """Keep the choice for all lessons, in one step: a page that is closed meanwhile leaves the old one.

    Raises
    ------
    NotKept
        If it can't be written; the old choice stays.
    """
    told = {"name": choice.name, "file": choice.file}
    with keeping(parent / SHEET):
        write_whole(parent / SHEET, json.dumps(told, indent=2, ensure_ascii=False) + "\n")


def copied(path: Path, folder: Path, parent: Path) -> str:
    """Copy a student's file beside the sheets of its voice, unless it is there; where it is, from the folder of all sheets."""
    target = folder / f"voice{path.suffix.lower()}"
    if not target.exists():
        with open(path, "rb") as source, keeping(target), whole_or_not_at_all(target) as beside:
            with open(beside, "wb") as copy:
                shutil.copyfileobj(source, copy)
    return target.relative_to(parent).as_posix()


def choose_voice(clip: str | Path, folder=None) -> Choice:
    """Choose the voice that all lessons are about from now on.

    Parameters
    ----------
    clip : str or Path
        The name of a clip that comes with the workbook, or a sound file; the file is copied beside its sheets.
    folder : path, optional
        Where the sheets are kept, as for :func:`begin`.

    Raises
    ------
    ValueError
        If there is no such clip, or nobody sings in the file.
    FileNotFoundError
        If there is no such file.
    NotKept
        If the choice can't be written; the old one stays.
    """
    parent = of_lessons() / STATE_FOLDER if folder is None else Path(folder)
    try:
        if isinstance(clip, str) and clip in shipped_names():
            choice = Choice(clip)
        else:
            path = (of_lessons() / clip).resolve()
            return choose_file(path, opened(path)[0], parent, path.name)
        write_choice(parent, choice)
    except (ValueError, OSError) as error:
        raise in_a_sentence(error)
    return choice


def choose_file(path: Path, clip: Clip, parent: Path, name: str) -> Choice:
    """Choose a sound file that was read already, under the name that people know it by.

    Raises
    ------
    ValueError
        If nobody sings in it.
    NotKept
        If it can't be copied, or the choice can't be written; the old one stays.
    """
    _check_sung(clip, name)
    choice = Choice(name, copied(path, folder_of(_named(_stem(name), clip), parent), parent))
    write_choice(parent, choice)
    return choice


def chosen_voice(parent: Path) -> tuple[Clip, dict | None, str, str]:
    """The voice that was chosen; the workbook's where nothing was, or the choice can't be read, and then it says so."""
    choice = read_choice(parent)
    if isinstance(choice, Choice):
        try:
            clip, truth, name, _ = opened((parent / choice.file).resolve() if choice.file else choice.name)
            return clip, truth, name, f"{choice.spoken}, chosen for all lessons"
        except (ValueError, OSError) as error:
            choice = f"the copy of {choice.name}, the voice that was chosen, can't be read ({error})"
    clip, truth, name, about = opened(WORKBOOKS_VOICE)
    return clip, truth, name, f"{about}, because {choice}" if choice else about


def in_a_sentence(error: Exception) -> Exception:
    """The same error; IPython shows its sentence, with a name that was meant perhaps, and no traceback."""
    error._render_traceback_ = lambda: [" ".join(str(error).split())]
    return error


def of_lessons() -> Path:
    """The folder of the lessons: appendices and homework run one below it, and speak of the same voice."""
    return Path("..") if Path.cwd().name in (APPENDICES, HOMEWORK) else Path()


def note_begun(folder: Path, lesson: str) -> None:
    """Note beside the sheets of a voice that a lesson was begun in a notebook, for the overview; the first day stays.

    Elsewhere, in an appendix or homework, or where nothing can be written, nothing happens.
    """
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    path = folder / f"{lesson}.begun"
    if getattr(shell, "kernel", None) is None or Path.cwd().name in (APPENDICES, HOMEWORK) or path.exists():
        return
    with contextlib.suppress(OSError):
        write_whole(path, f"{datetime.date.today().isoformat()}\n")


def opened(clip) -> tuple[Clip, dict | None, str, str]:
    """The clip, what is known about it, a name for its folder that no other clip has, and what people call it."""
    if isinstance(clip, str) and clip in shipped_names():
        take = shipped(clip)
        return take.clip, take.truth, clip, Choice(clip).spoken
    stem, truth, called = "own", None, "a clip from code"
    if isinstance(clip, Take):
        stem, truth, clip = clip.truth.get("verse", stem), clip.truth, clip.clip
        called = "a take by the workbook's singers"
    if not isinstance(clip, Clip):
        check_path(clip, "clip")
        stem, called = _stem(clip), Path(clip).name
        path = clip
        try:
            clip = load(of_lessons() / clip)
        except FileNotFoundError as error:
            raise FileNotFoundError(f"{str(error).rstrip('.')}{_near(path)}") from None
        _check_sung(clip, path)
    return clip, truth, _named(stem, clip), called


def _stem(path) -> str:
    return re.sub(r"\W+", "_", Path(path).stem) or "own"


def _check_sung(clip: Clip, path):
    if not active_mask(clip).any():
        raise ValueError(f"clip: nobody seems to sing in {shown(str(path))}; give a recording of a voice.")


def _near(path) -> str:
    """What may have been meant by the name of a file that isn't there."""
    there = [one.name for one in of_lessons().iterdir() if one.suffix.lower() in _SOUNDS]
    close = difflib.get_close_matches(Path(path).name, [*there, *shipped_names()], 1)
    return f"; did you mean {close[0]!r}?" if close else "."


_SOUNDS = (".wav", ".flac", ".aif", ".aiff", ".ogg")


def _named(stem: str, clip: Clip) -> str:
    return f"{stem}_{hashlib.sha256(clip.samples.tobytes()).hexdigest()[:DIGEST_LENGTH]}"


def folder_of_clip(clip: Clip, parent: Path) -> Path:
    """Where what is kept for a recording lies, in the folder of all sheets."""
    return folder_of(_named("own", clip), parent)


def folder_of(name: str, parent: Path) -> Path:
    """Where a clip's sheets are; a recording is recognised by its sound, so that renaming its file loses nothing."""
    digest = name.rpartition("_")[2]
    known = sorted(parent.glob(f"*_{digest}")) if len(digest) == DIGEST_LENGTH else []
    return known[0] if known else parent / name
