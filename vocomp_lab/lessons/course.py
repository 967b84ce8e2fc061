"""Where a student stands: each lesson starts from what the earlier lessons kept, as settings sheets.

A lesson keeps only its own stages, one sheet for each lesson and clip, in a folder ``.state`` beside the notebooks.
Where nothing was kept, :mod:`vocomp_lab.lessons.proposals` fills in, so that a student can start anywhere. How a lesson
uses it: ``04_peak_control``.
"""

from __future__ import annotations

import hashlib
import json
import re
import textwrap
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.lessons.band import Band, band_of, with_band
from vocomp_lab.lessons.explained import summary
from vocomp_lab.lessons.proposals import STAGES, STYLED, propose_stage
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.singer.song import Take, shipped, shipped_names
from vocomp_lab.sound.audio import Clip, load
from vocomp_lab.sound.checks import check_choice, shown
from vocomp_lab.sound.files import write_whole

ORDER = ("trim", "level prep", "low cut", "boxiness", "sibilance", "peaks", "steady", "excitement", "colour", "rides")
"""The stages of the course, in working order; a kept stage takes its place in it."""
LESSON_STAGES = {
    "01_levels_and_meters": ("trim",),
    "02_level_prep": ("level prep",),
    "03_filtering": ("low cut", "boxiness", "sibilance"),
    "04_peak_control": ("peaks",),
    "05_steady_compression": ("steady",),
    "06_slow_attack": ("excitement",),
    "07_compressor_types": ("peaks", "steady", "excitement", "colour"),
    "08_the_vocal_in_the_mix": ORDER,
    "08b_judging_your_work": ORDER,
    "09_your_own_vocal": ORDER,
    "10_ear_practice": (),
}
"""Which stages each lesson may set. One that sets none takes the voice as recorded."""
STATE_FOLDER = ".state"
APPENDICES = "appendices"
"""The folder of the appendices, in that of the lessons."""
DIGEST_LENGTH = 10
PRINT_WIDTH = 115
_LEFT_OUT = "left_out"


@dataclass(frozen=True)
class Lesson:
    """A clip, and the chain that the earlier lessons made for it.

    Attributes
    ----------
    name : str
        The lesson's, such as "05_steady_compression".
    clip : Clip
        As recorded.
    truth : dict or None
        What is known about a clip that the workbook made; None for the student's own.
    chain : Chain
        The stages from earlier lessons; none at the start of the course.
    kept : Chain
        The stages that this lesson kept last time; none if it kept nothing.
    origins : dict of str
        Where each stage of the chain came from, by its name; and which lesson left a stage out.
    folder : Path
        Where this clip's sheets are kept.
    voice : Clip
        The clip as the earlier lessons left it.
    band : Band or None
        What the voice is heard against, if it has a band (:mod:`vocomp_lab.lessons.band`). Benches find it by the clip.
    """

    name: str
    clip: Clip
    truth: dict | None
    chain: Chain
    kept: Chain
    origins: dict[str, str]
    folder: Path
    voice: Clip = field(repr=False, compare=False)
    band: Band | None = field(default=None, repr=False, compare=False)

    @property
    def backing(self) -> Clip | None:
        """The band under the voice, as long as it and in time with it; None for a voice without a band."""
        return None if self.band is None else self.band.backing

    @property
    def in_a_song(self) -> "Lesson":
        """This lesson, if its voice has a band; else the same lesson with the workbook's own singer, who has one."""
        return self if self.band is not None else begin(self.name, folder=self.folder.parent)

    def with_its_band(self) -> "Lesson":
        """This lesson, with the band that its voice has now: after a backing track was loaded."""
        band = band_of(self.clip, self.folder, self.truth)
        return replace(self, clip=with_band(self.clip, band), voice=with_band(self.voice, band), band=band)

    @cached_property
    def result(self) -> ChainResult:
        """What the chain makes of the clip, stage by stage. Worked out at first use: for a whole song it takes a
        gigabyte.
        """
        return self.chain.apply(self.clip)

    @property
    def clip_name(self) -> str:
        """What the clip is called: the workbook's name for it, or that of the file."""
        return self.folder.name if self.truth is not None else self.folder.name.rpartition("_")[0]

    def with_stages(self, stages) -> Chain:
        """The chain with these stages (from a Chain or a Bench), each in its place in the working order."""
        return _ordered({**dict(self.chain.stages), **dict(_chain_of(stages).stages)})

    def in_style(self, style: str) -> Chain:
        """What this lesson kept, else the chain, with its two compressors as a card proposes them.

        Parameters
        ----------
        style : str
            One of ``vocomp_lab.lessons.styles.STYLES``. A stage that its card does without is left out.

        Raises
        ------
        ValueError
            If there is no such card.
        """
        stages = dict((self.kept if self.kept.stages else self.chain).stages)
        for stage in STYLED:
            stages.pop(stage, None)
            before = ORDER[: ORDER.index(stage)]
            reaches = _ordered({name: made for name, made in stages.items() if name in before}).apply(self.clip).output
            proposal = propose_stage(stage, reaches, self.clip, style)
            if proposal.processor is not None:
                stages[stage] = proposal.processor
        return _ordered(stages)

    def keep(self, stages, left_out=None) -> str:
        """Keep this lesson's stages for later lessons.

        Parameters
        ----------
        stages : Chain or Bench
            Stages of other lessons are ignored; a chain without stages records that this lesson adds nothing.
        left_out : sequence of str, optional
            Stages that later lessons are to go on without, whatever was kept or is proposed. By default those that the
            bench leaves out.

        Returns
        -------
        str
            One sentence that says what was kept, and where.

        Raises
        ------
        ValueError
            If none of the stages is this lesson's.
        """
        given = _chain_of(stages)
        left_out = getattr(stages, "left_out", ()) if left_out is None else left_out
        own = LESSON_STAGES.get(self.name, ())
        mine = [(name, processor) for name, processor in given.stages if name in own]
        if given.stages and not mine:
            names = ", ".join(repr(name) for name, _ in given.stages)
            raise ValueError(
                f"stages: {names} can't be kept by {self.name}; its stages are {', '.join(own) or 'none'}."
            )
        # A page that is closed meanwhile leaves the old sheet whole.
        without = [name for name in left_out if name in own]
        path = write_whole(self.folder / f"{self.name}.json", _written(Chain(mine), without))
        names = ", ".join(name for name, _ in mine) or "no stage"
        names += f" (left out: {', '.join(without)})" if without else ""
        last = self.name == [name for name, stages in LESSON_STAGES.items() if stages][-1]
        begins = "this page starts from it next time" if last else "the next lesson starts from it"
        return f"Kept {names} in {path.parent.name}/{path.name}; {begins}."

    def help(self) -> None:
        """Print what this lesson explains: a line for each name; ``help(name)`` says more about one."""
        print(summary(self.name))

    def __str__(self):
        stages = dict(self.chain.stages)
        lines = [
            f"{name}: {type(stages[name]).__name__}, {origin}" if name in stages else f"{name}: {origin}"
            for name, origin in sorted(self.origins.items(), key=lambda item: ORDER.index(item[0]))
        ]
        return (
            "\n".join(textwrap.fill(line, PRINT_WIDTH, subsequent_indent="    ") for line in lines)
            or "As recorded: no earlier lesson has changed it."
        )


def begin(lesson: str, clip: Clip | Take | str | Path = "lesson_verse_faulty", folder=None) -> Lesson:
    """Begin a lesson where the earlier ones left off.

    Parameters
    ----------
    lesson : str
        One of ``LESSON_STAGES``.
    clip : Clip, Take, str or Path
        The name of a clip that comes with the workbook, a take by its singers, a sound file, or a Clip.
    folder : path, optional
        Where the sheets are kept; ``.state`` in the folder of the lessons, which is that of the running notebook, or the
        one above an appendix. Sound files are looked for there, too.

    Returns
    -------
    Lesson

    Raises
    ------
    ValueError
        If there is no such lesson or clip, or nobody sings in the file.

    Notes
    -----
    A sheet that can't be read stays where it is, and ``origins`` says so; a proposal takes its place.
    """
    check_choice("lesson", lesson, tuple(LESSON_STAGES))
    clip, truth, name = _opened(clip)
    folder = _folder_of(name, _of_lessons() / STATE_FOLDER if folder is None else Path(folder))
    band = band_of(clip, folder, truth)
    clip = with_band(clip, band)
    lessons = tuple(LESSON_STAGES)
    earlier = lessons[: lessons.index(lesson)] if LESSON_STAGES[lesson] else ()
    sheets = {name: _read(folder / f"{name}.json") for name in (*earlier, lesson)}
    stages, origins, result = {}, {}, None
    for stage in ORDER:
        for name in reversed(earlier):
            if stage in LESSON_STAGES[name] and isinstance(sheets[name], _Sheet):
                chain, left_out = sheets[name]
                if stage in dict(chain.stages):
                    stages[stage], origins[stage] = chain[stage], f"kept in {name}"
                    break
                if stage in left_out or name == _home(stage):  # kept, and without it: the student wants none
                    origins[stage] = f"left out in {name}"
                    break
        else:
            home = _home(stage)
            if home in earlier and stage in STAGES:
                result = _ordered(stages).apply(clip, reuse=result)
                proposal = propose_stage(stage, result.output, clip)
                if proposal.processor is not None:
                    bad = f"; {sheets[home]}" if isinstance(sheets[home], str) else ""
                    stages[stage], origins[stage] = proposal.processor, f"proposed ({proposal.reason.rstrip('.')}){bad}"
    own = sheets[lesson].chain if isinstance(sheets[lesson], _Sheet) else Chain([])
    chain = _ordered(stages)
    voice = chain.apply(clip, reuse=result).output if chain.stages else clip
    return Lesson(lesson, clip, truth, chain, own, origins, folder, voice, band)


def _of_lessons() -> Path:
    """The folder of the lessons: an appendix runs one below it, and speaks of the same voice."""
    return Path("..") if Path.cwd().name == APPENDICES else Path()


def _home(stage):
    """The lesson that teaches a stage: the first that may set it."""
    return next(name for name, stages in LESSON_STAGES.items() if stage in stages)


def _ordered(stages: dict) -> Chain:
    place = {name: number for number, name in enumerate(ORDER)}
    return Chain(sorted(stages.items(), key=lambda item: place.get(item[0], len(ORDER))))


def _chain_of(stages) -> Chain:
    chain = stages if isinstance(stages, Chain) else getattr(stages, "chain", None)
    if not isinstance(chain, Chain):
        raise ValueError(f"stages: {type(stages).__name__} is not allowed; give a Chain or a bench.")
    return chain


def _opened(clip) -> tuple[Clip, dict | None, str]:
    """The clip, what is known about it, and a name for its folder that no other clip has."""
    if isinstance(clip, str) and clip in shipped_names():
        take = shipped(clip)
        return take.clip, take.truth, clip
    stem, truth = "own", None
    if isinstance(clip, Take):
        stem, truth, clip = clip.truth.get("verse", stem), clip.truth, clip.clip
    if not isinstance(clip, Clip):
        stem = re.sub(r"\W+", "_", Path(clip).stem) or stem
        path, clip = clip, load(_of_lessons() / clip)
        if not active_mask(clip).any():
            raise ValueError(f"clip: nobody seems to sing in {shown(str(path))}; give a recording of a voice.")
    return clip, truth, _named(stem, clip)


def _named(stem: str, clip: Clip) -> str:
    return f"{stem}_{hashlib.sha256(clip.samples.tobytes()).hexdigest()[:DIGEST_LENGTH]}"


def folder_of(clip: Clip, parent: Path) -> Path:
    """Where what is kept for a recording lies, in the folder of all sheets."""
    return _folder_of(_named("own", clip), parent)


def _folder_of(name: str, parent: Path) -> Path:
    """Where a clip's sheets are; a recording is recognised by its sound, so that renaming its file loses nothing."""
    digest = name.rpartition("_")[2]
    known = sorted(parent.glob(f"*_{digest}")) if len(digest) == DIGEST_LENGTH else []
    return known[0] if known else parent / name


class _Sheet(NamedTuple):
    """What a lesson kept: its stages, and those that it left out."""

    chain: Chain
    left_out: tuple[str, ...] = ()


def _written(chain: Chain, left_out: list[str]) -> str:
    """A settings sheet; where stages are left out it says which."""
    return json.dumps({**chain.to_dict(), _LEFT_OUT: left_out}, indent=2) + "\n" if left_out else chain.to_json()


def _read(path: Path) -> _Sheet | str | None:
    """A kept sheet, or what is wrong with it, or None if there is none."""
    if not path.exists():
        return None
    try:
        text = path.read_text("utf-8")
        if f'"{_LEFT_OUT}"' not in text:
            return _Sheet(Chain.from_json(text))
        sheet = json.loads(text)
        left_out = sheet.pop(_LEFT_OUT)
        if not (isinstance(left_out, list) and all(isinstance(name, str) for name in left_out)):
            raise ValueError(f"{_LEFT_OUT}: {shown(left_out)} is not allowed; give a list of names.")
        return _Sheet(Chain.from_dict(sheet), tuple(left_out))
    except (OSError, ValueError, KeyError, AttributeError) as error:
        return f"the sheet {path.name} can't be read: {error}"
