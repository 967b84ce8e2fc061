"""A sheet of what a lesson kept: settings, stages that were left out, and when; and which of several sheets counts.

For each stage the newest keep counts, whichever lesson kept it, so that lessons 03 and 09 never disagree about a voice.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import NamedTuple

from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.sound.checks import shown

COMPRESSORS = ("peaks", "steady", "excitement")
"""The stages whose plain compressor lesson 07 replaces by a type."""
_LEFT_OUT, _KEPT_AT = "left_out", "kept_at_ns"


class Sheet(NamedTuple):
    """What a lesson kept.

    Attributes
    ----------
    chain : Chain
        Its stages.
    left_out : tuple of str
        Those that later lessons are to go on without.
    kept_at_ns : int
        When, in nanoseconds since 1970.
    """

    chain: Chain
    left_out: tuple[str, ...] = ()
    kept_at_ns: int = 0

    def written(self) -> str:
        """The sheet as text: settings, when they were kept, and what was left out."""
        more = {_LEFT_OUT: list(self.left_out)} if self.left_out else {}
        return json.dumps({**self.chain.to_dict(), **more, _KEPT_AT: self.kept_at_ns}, indent=2) + "\n"


class Said(NamedTuple):
    """What the newest sheet says about a stage: which lesson, and the stage's settings; None if it is left out."""

    lesson: str
    processor: object | None


def read_sheet(path: Path) -> Sheet | str | None:
    """A kept sheet, or what is wrong with it, or None if there is none."""
    if not path.exists():
        return None
    try:
        sheet = json.loads(path.read_text("utf-8"))
        left_out, kept_at_ns = sheet.pop(_LEFT_OUT, []), sheet.pop(_KEPT_AT, path.stat().st_mtime_ns)
        if not (isinstance(left_out, list) and all(isinstance(name, str) for name in left_out)):
            raise ValueError(f"{_LEFT_OUT}: {shown(left_out)} is not allowed; give a list of names.")
        if not isinstance(kept_at_ns, int):
            raise ValueError(f"{_KEPT_AT}: {shown(kept_at_ns)} is not allowed; give a whole number of nanoseconds.")
        return Sheet(Chain.from_dict(sheet), tuple(left_out), kept_at_ns)
    except (OSError, ValueError, KeyError, AttributeError, TypeError) as error:
        return f"the sheet {path.name} can't be read: {error}"


def newest(stage: str, sheets: dict, home: str, plain: bool = False) -> Said | None:
    """What counts for a stage.

    Parameters
    ----------
    stage : str
    sheets : dict of str to Sheet
        By lesson, in the order of the lessons; anything but a Sheet says nothing.
    home : str
        The lesson that teaches the stage: if it kept its sheet without the stage, none is wanted.
    plain : bool
        Whether compressor types (lesson 07) are passed over.

    Returns
    -------
    Said or None
        None if no sheet says anything about it.
    """
    found = None
    for lesson, sheet in sheets.items():
        if not isinstance(sheet, Sheet):
            continue
        processor = dict(sheet.chain.stages).get(stage)
        if processor is None and stage not in sheet.left_out and lesson != home:
            continue
        if plain and processor is not None and is_type(stage, processor):
            continue
        if found is None or sheet.kept_at_ns >= found[0]:  # of two at the same time the later lesson's
            found = sheet.kept_at_ns, Said(lesson, processor)
    return found and found[1]


def is_type(stage: str, processor) -> bool:
    """Whether a stage is a compressor of a certain type (lesson 07) where a plain one does."""
    return stage in COMPRESSORS and not isinstance(processor, Compressor)


def now_ns(sheets: dict) -> int:
    """The time for a new sheet: later than all that are there, even if the clock was put back."""
    return max([time.time_ns(), *(sheet.kept_at_ns + 1 for sheet in sheets.values() if isinstance(sheet, Sheet))])


def newest_of_all(sheets: dict, stages_of: dict) -> dict[str, Said]:
    """What counts for each stage that any sheet says something about; `stages_of` are each lesson's stages, the first lesson
    that has a stage being its home.
    """
    homes = {}
    for lesson, stages in stages_of.items():
        for stage in stages:
            homes.setdefault(stage, lesson)
    found = {stage: newest(stage, sheets, home) for stage, home in homes.items()}
    return {stage: said for stage, said in found.items() if said is not None}
