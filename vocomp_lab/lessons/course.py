"""Where a student stands: each lesson starts from what the earlier lessons kept, as settings sheets.

A lesson keeps only its own stages, one sheet for each lesson and clip, in a folder ``.state`` beside the notebooks. For each
stage the newest sheet counts, whichever lesson kept it (:mod:`vocomp_lab.lessons.kept`). Which clip it is is chosen once, for all
lessons (:mod:`vocomp_lab.lessons.chosen`). Where nothing was kept, :mod:`vocomp_lab.lessons.proposals` fills in, so that a student can start anywhere. How a lesson
uses it: ``04_peak_control``.
"""

from __future__ import annotations

import html
import textwrap
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from vocomp_lab.lessons.band import Band, band_of, with_band
from vocomp_lab.lessons.chosen import (
    STATE_FOLDER, WORKBOOKS_VOICE, chosen_voice, folder_of, in_a_sentence, note_begun, of_lessons, opened,
)  # fmt: skip
from vocomp_lab.lessons.explained import summary
from vocomp_lab.lessons.kept import COMPRESSORS, Sheet, is_type, newest, now_ns, read_sheet
from vocomp_lab.lessons.proposals import STAGES, STYLED, propose_stage
from vocomp_lab.lessons.unkept import NotKept, keeping
from vocomp_lab.lessons.word_names import VoiceWords, Word, called, with_words
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.singer.song import Take
from vocomp_lab.sound.audio import Clip, check_path
from vocomp_lab.sound.checks import Of, check_choice
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
LAST = [name for name, stages in LESSON_STAGES.items() if stages][-1]
"""The lesson that ends with the whole chain."""
PRINT_WIDTH = 115
START = "00_start_here"
"""The page on which a voice is chosen."""


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
        This lesson's own stages as they were last kept, here or in another lesson; none if nothing was kept.
    origins : dict of str
        Where each stage of the chain came from, by its name; and which lesson left a stage out.
    folder : Path
        Where this clip's sheets are kept.
    voice : Clip
        The clip as the earlier lessons left it.
    about : str
        Which voice it is, in words.
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
    about: str = field(default="", repr=False, compare=False)

    @property
    def backing(self) -> Clip | None:
        """The band under the voice, as long as it and in time with it; None for a voice without a band."""
        return None if self.band is None else self.band.backing

    @property
    def in_a_song(self) -> "Lesson":
        """This lesson, if its voice has a band; else the same lesson with the workbook's own singer, who has one."""
        return self if self.band is not None else begin(self.name, WORKBOOKS_VOICE, self.folder.parent)

    def with_its_band(self) -> "Lesson":
        """This lesson, with the band that its voice has now: after a backing track was loaded."""
        band = band_of(self.clip, self.folder, self.truth)
        words = self.voice_words
        clip, voice = (with_words(with_band(one, band), words) for one in (self.clip, self.voice))
        return replace(self, clip=clip, voice=voice, band=band)

    @cached_property
    def voice_words(self) -> VoiceWords:
        """The words of the voice, and what they are called."""
        known = self.clip.origin and self.clip.origin.words
        return known if isinstance(known, VoiceWords) else VoiceWords(self.clip, self.folder, self.truth)

    @property
    def named_words(self) -> tuple[dict, ...]:
        """The words that have a name, as a take's truth has them: what pictures write above a voice."""
        return tuple(_as_dict(word) for word in self.voice_words.all if word.named)

    def called(self, start_s: float, end_s: float) -> str:
        """What a stretch of the voice is called: its words by name, else "word 3", else its time in seconds."""
        return called(with_words(self.clip, self.voice_words), start_s, end_s)

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
        own = read_sheet(self.folder / f"{self.name}.json")
        stages = dict((self.kept if isinstance(own, Sheet) and own.chain.stages else self.chain).stages)
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
            One sentence that says what was kept, and where; or that nothing could be kept, why, and what to do.

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
        without = tuple(name for name in left_out if name in own)
        sheet = Sheet(Chain(mine), without, now_ns(_sheets(self.folder)))
        path = self.folder / f"{self.name}.json"
        try:
            with keeping(path):
                write_whole(path, sheet.written())
        except NotKept as error:
            return str(error)
        # A bench whose cell is run again begins with what is kept now, though the lesson was begun before.
        object.__setattr__(self, "kept", _kept_for(self.name, _sheets(self.folder)))
        names = ", ".join(name for name, _ in mine) or "no stage"
        names += f" (left out: {', '.join(without)})" if without else ""
        begins = (
            "this page starts from it next time, and so do the others"
            if self.name == LAST
            else "the next lesson starts from it"
        )
        return f"Kept {names} in {path.parent.name}/{path.name}; {begins}."

    def keep_whole(self, stages) -> str:
        """Keep a whole chain: whatever it lacks is left out from now on, in every lesson about this voice.

        Parameters, result and errors as :meth:`keep`.
        """
        given = dict(_chain_of(stages).stages)
        lacking = [name for name in LESSON_STAGES[self.name] if name not in given]
        standing = {**self._elsewhere(ORDER), **dict(self.chain.stages), **dict(self.kept.stages)}
        asked = getattr(stages, "left_out", ())
        return self.keep(stages, [name for name in lacking if name in standing or name in asked])

    def keep_changes(self, stages) -> str:
        """Keep what is not as the other lessons have it: other settings, and stages of theirs that are missing here.

        Parameters, result and errors as :meth:`keep`. What is as they have it stays theirs, so a lesson that only looks
        claims nothing.
        """
        given, theirs = dict(_chain_of(stages).stages), self._elsewhere(LESSON_STAGES[self.name])
        own = [name for name in given if _home(name) == self.name] if given else []
        changed = [(name, made) for name, made in given.items() if name in own or made != theirs.get(name)]
        return self.keep(Chain(changed), [name for name in theirs if name not in given and _home(name) != self.name])

    def _elsewhere(self, wanted) -> dict:
        """The stages as the other lessons have them: kept there, or proposed."""
        others = {name: sheet for name, sheet in _sheets(self.folder).items() if name != self.name}
        return {name: made for name, made in _standing(self.name, self.clip, others)[0].items() if name in wanted}

    @cached_property
    def plain_chain(self) -> Chain:
        """The chain without compressor types (lesson 07): the newest plain compressors, or proposals."""
        return _ordered(_standing(self.name, self.clip, _sheets(self.folder), plain=True)[0])

    @property
    def plain(self) -> Sheet:
        """What this lesson has to keep so that every type goes, wherever it was kept: plain compressors in the place of types
        that other lessons kept. Where there are none, nothing.
        """
        others = {name: sheet for name, sheet in _sheets(self.folder).items() if name != self.name}
        said = {stage: newest(stage, others, _home(stage)) for stage in COMPRESSORS}
        typed = [stage for stage, one in said.items() if one and one.processor and is_type(stage, one.processor)]
        stages = [(name, made) for name, made in self.plain_chain.stages if name in typed]
        return Sheet(Chain(stages), tuple(name for name in typed if name not in dict(stages)))

    def help(self) -> None:
        """Print what this lesson explains: a line for each name; ``help(name)`` says more about one."""
        print(summary(self.name))

    @property
    def other_voice(self) -> str:
        """How to work on another voice: where it is chosen, and one line of code."""
        return f'another one for all lessons: {START}; only here: begin("{self.name}", "my_take.wav")'

    def _lines(self) -> list[str]:
        stages = dict(self.chain.stages)
        return [
            f"{name}: {type(stages[name]).__name__}, {origin}" if name in stages else f"{name}: {origin}"
            for name, origin in sorted(self.origins.items(), key=lambda item: ORDER.index(item[0]))
        ] or [_AS_RECORDED]

    def __str__(self):
        lines = [f"Voice: {self.about} ({self.other_voice}).", *self._lines()]
        return "\n".join(textwrap.fill(line, PRINT_WIDTH, subsequent_indent="    ") for line in lines)

    def _repr_pretty_(self, printer, cycle):
        printer.text(str(self))

    def _repr_html_(self) -> str:
        start = (of_lessons() / f"{START}.ipynb#Choose-your-voice").as_posix()
        code = f'begin("{self.name}", "my_take.wav")'
        lines = "".join(f"<div>{html.escape(line)}</div>" for line in self._lines())
        return (
            f'<div class="vocomp-voice"><div><b>Voice: {html.escape(self.about)}.</b> '
            f'<a href="{start}">Choose another</a>, for all lessons; only for this page: '
            f"<code>{html.escape(code)}</code> in the cell above.</div>{lines}</div>"
        )


def _as_dict(word: Word) -> dict:
    return {"text": word.text, "start_s": word.start_s, "end_s": word.end_s}


_AS_RECORDED = "As recorded: no earlier lesson has changed it."


A_LESSON = Of(Lesson, "a lesson, such as begin('04_peak_control')")


def begin(lesson: str, clip: Clip | Take | str | Path | None = None, folder=None) -> Lesson:
    """Begin a lesson where the other ones left off, with the voice that was chosen for all of them.

    Parameters
    ----------
    lesson : str
        One of ``LESSON_STAGES``.
    clip : Clip, Take, str or Path, optional
        The name of a clip that comes with the workbook, a take by its singers, a sound file, or a Clip: for this lesson
        only. By default the voice that was chosen (:func:`choose_voice`), or the workbook's first verse.
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
    FileNotFoundError
        If there is no such file.

    Notes
    -----
    A sheet that can't be read stays where it is, and ``origins`` says so; a proposal takes its place. For each stage the
    newest keep by any lesson counts. In a notebook, errors show as one sentence.
    """
    try:
        check_choice("lesson", lesson, tuple(LESSON_STAGES))
        parent = of_lessons() / STATE_FOLDER if folder is None else check_path(folder, "folder", "folder")
        clip, truth, name, about = chosen_voice(parent) if clip is None else opened(clip)
    except (ValueError, OSError) as error:
        raise in_a_sentence(error)
    notebook, folder = folder is None, folder_of(name, parent)
    if notebook:
        note_begun(folder, lesson)
    band = band_of(clip, folder, truth)
    clip = with_words(with_band(clip, band), VoiceWords(clip, folder, truth))
    sheets = _sheets(folder)
    stages, origins, result = _standing(lesson, clip, sheets)
    own, chain = _kept_for(lesson, sheets), _ordered(stages)
    voice = chain.apply(clip, reuse=result).output if chain.stages else clip
    return Lesson(lesson, clip, truth, chain, own, origins, folder, voice, band, about)


def _kept_for(lesson: str, sheets: dict) -> Chain:
    """A lesson's own stages as they were last kept, by whichever lesson."""
    said = {stage: newest(stage, sheets, _home(stage)) for stage in LESSON_STAGES[lesson]}
    return _ordered({stage: one.processor for stage, one in said.items() if one and one.processor})


def _standing(lesson: str, clip: Clip, sheets: dict, plain: bool = False) -> tuple[dict, dict, ChainResult | None]:
    """The stages of earlier lessons as they stand: newest keeps, else proposals; where each comes from; what was computed."""
    lessons = tuple(LESSON_STAGES)
    earlier = lessons[: lessons.index(lesson)] if LESSON_STAGES[lesson] else ()
    stages, origins, result = {}, {}, None
    for stage in ORDER:
        home = _home(stage)
        if home not in earlier:
            continue
        said = newest(stage, sheets, home, plain)
        if said is not None:
            origins[stage] = f"{'left out' if said.processor is None else 'kept'} in {said.lesson}"
            if said.processor is not None:
                stages[stage] = said.processor
        elif stage in STAGES:
            result = _ordered(stages).apply(clip, reuse=result)
            proposal = propose_stage(stage, result.output, clip)
            if proposal.processor is not None:
                bad = f"; {sheets[home]}" if isinstance(sheets[home], str) else ""
                stages[stage], origins[stage] = proposal.processor, f"proposed ({proposal.reason.rstrip('.')}){bad}"
    return stages, origins, result


def _sheets(folder: Path) -> dict:
    """What every lesson kept for a voice."""
    return {name: read_sheet(folder / f"{name}.json") for name in LESSON_STAGES}


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
