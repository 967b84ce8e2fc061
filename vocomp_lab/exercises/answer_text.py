"""A learner's own answer as plain text, so that a mark can be discussed: a function, settings, a chain, numbers, a word.

Whatever a sheet may hold comes out as text that can be printed and written to any file; the pages escape it.
"""

from __future__ import annotations

import json

from vocomp_lab.exercises.tasks import Posed
from vocomp_lab.lessons.settings_page import KINDS, stated_settings
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.text import clock, decibels, figure, minus, printable

LONGEST_TEXT = 4_000
"""In characters; what is longer is cut, and says so."""
_MOST_TRIALS_SHOWN = 40


def answer_text(posed: Posed, data, *, exact: bool = False) -> str:
    """An answer as it can be read.

    Parameters
    ----------
    posed : Posed
        The task as the learner got it.
    data : JSON data
        From the answer sheet; anybody may have written it. None: no answer.
    exact : bool
        Numbers with all their digits, as they are compared; otherwise with those that mean something.

    Returns
    -------
    str
        "" if there is no answer. What is not an answer to this task is shown as the data that it is.
    """
    if data is None:
        return ""
    try:
        text = _told(posed, posed.from_data(data), data, exact)
    except Exception:  # whatever is wrong with it, it is shown as it came
        text = _as_it_came(data)
    return _cut_and_plain(text) or "(empty)"


def _told(posed, answer, data, exact: bool) -> str:
    ((kind, value),) = data.items()
    if kind == "source":
        return answer
    if kind == "number":
        return f"{_number(answer, posed.unit, exact)} {posed.unit}".rstrip()
    if kind == "numbers":
        return f"{', '.join(_number(value, posed.unit, exact) for value in answer)} {posed.unit}".rstrip()
    if kind == "word":
        return answer
    if kind in ("settings", "sheet"):
        chain = answer if isinstance(answer, Chain) else Chain([("yours", answer)])
        return "\n\n".join(_stage_text(name if kind == "sheet" else "", processor) for name, processor in chain.stages)
    if kind == "round":
        answers = value["answers"]
        right = sum(one[1] is True for one in answers)
        return f"A round of “{value['drill']}” on {value['voice']}, begun {value['began']}: {right} of {len(answers)} right."
    if kind == "heard":
        trials = [f"{was} called {said} after {seconds:g} s" for was, said, seconds in value]
    else:
        trials = [f"{decibels(was)} LUFS called {decibels(said)}" for was, said in value]
    more = f"\nand {len(trials) - _MOST_TRIALS_SHOWN} more" if len(trials) > _MOST_TRIALS_SHOWN else ""
    return "\n".join(trials[:_MOST_TRIALS_SHOWN]) + more


def _number(value: float, unit: str, exact: bool) -> str:
    if exact:
        return minus(repr(value))
    # Seconds to a thousandth, which is finer than anybody hears or draws; a level or a ratio to six figures.
    return figure(value, digits=12, most_decimals=3) if unit == "s" else figure(value, digits=6)


def _stage_text(name: str, processor) -> str:
    kind = type(processor).__name__
    kind = KINDS.get(kind, kind)
    lines = [f"{name}: {kind}" if name else kind[:1].upper() + kind[1:]]
    if isinstance(processor, ClipGain):
        lines += [
            f"    {clock(region.start_s, 3)} to {clock(region.end_s, 3)}: {decibels(region.gain_db, 2, sign=True)} dB"
            for region in processor.regions
        ]
        lines.append(f"    Crossfade {processor.crossfade_ms:g} ms")
    elif isinstance(processor, FaderRide):
        lines += [f"    {clock(one.at_s, 3)}: {decibels(one.gain_db, 2, sign=True)} dB" for one in processor.points]
    else:
        lines += [f"    {label} {value}" for label, value in stated_settings(processor)]
    return "\n".join(lines)


def _as_it_came(data) -> str:
    try:
        return json.dumps(data, ensure_ascii=False)
    except (ValueError, TypeError, RecursionError):
        return "(can't be shown)"


def _cut_and_plain(text: str) -> str:
    """Text with line feeds, at most ``LONGEST_TEXT`` long, every other character that can't be printed as an escape."""
    text = text.replace("\t", "    ").replace("\r\n", "\n").strip("\n")
    if len(text) > LONGEST_TEXT:
        text = f"{text[:LONGEST_TEXT]}\n… (cut here; the answer has {len(text):,} characters)"
    return printable(text, keep="\n")
