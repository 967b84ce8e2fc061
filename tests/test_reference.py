"""The pages to look things up in: every term is in the lesson that it names, and every setting does what the page says."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
from paths import FOLDER, LESSONS, path_of

from vocomp_lab import Chain, Compressor, integrated_lufs, match_loudness, shipped
from vocomp_lab.analysis import threshold_for
from vocomp_lab.analysis.measures import stage_change
from vocomp_lab.analysis.times import stated_times
from vocomp_lab.bench.toolbar import reference_links
from vocomp_lab.lessons.course import ORDER, begin
from vocomp_lab.lessons.goals import GOALS

REFERENCE = FOLDER / "reference"
BOOKS = {path.stem: path for path in sorted(REFERENCE.glob("*.ipynb"))}
_LEAD = re.compile(r"\[(\w+)\]\(\.\./([\w]+)\.ipynb#([^)]+)\)")
_INTRODUCED = re.compile(r"\*\*([A-Za-z][\w-]*(?: [\w-]+){0,2})\*\*")

NO_TERMS = {
    *"a b c n x p play record before after accept undo listen present loop repeat reset".split(),  # keys, buttons, lists
    *"sliders picture numbers player meters loudspeakers headphones".split(),
    *"back silver paper past no quiet phrase box thumps sound onsets noise nothing peaks phrases reduction".split(),
    *"fast slow detail sibilance make-up".split(),
    *("leave it out", "more controls", "folded cells", "for leisure", "breaths down", "what was removed", "this text"),
    *("you will learn", "you need", "listen for", "try this", "on to", "choose the takes", "clean up", "print it"),
    *("how many decibels", "which word", "the ring", "the type"),
    *("in between", "only the attack", "back off", "about a third", "timing and curve"),
}
"""Words in bold that are no terms: buttons and keys, words of the song, beginnings of paragraphs, faults by everyday names."""


def rows(name: str) -> list[list[str]]:
    """The cells of the page's table, a list for each row, without its head."""
    source = "".join(json.loads(BOOKS[name].read_text("utf-8"))["cells"][1]["source"])
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in source.splitlines()[2:]]


def under(lesson: str, anchor: str) -> str:
    """What a lesson says below a heading, to the next one; "" if there is no such heading."""
    prose = "\n\n".join(cell.source for cell in path_of(FOLDER / f"{lesson}.ipynb") if cell.kind == "markdown")
    parts = re.split(r"(?m)^#+ (.+)$", prose)
    return next((text for head, text in zip(parts[1::2], parts[2::2]) if head.replace(" ", "-") == anchor), "")


def test_both_pages_are_prose_with_one_table_and_say_how_to_print_them():
    assert set(BOOKS) == {"glossary", "quick_reference"}
    for name, path in BOOKS.items():
        cells = json.loads(path.read_text("utf-8"))["cells"]
        assert [cell["cell_type"] for cell in cells] == ["markdown"] * 2
        assert "*File → Print…*" in "".join(cells[0]["source"])
        for row in rows(name):
            number, lesson, _ = _LEAD.fullmatch(row[-1]).groups()
            assert lesson.startswith(f"{number}_") and (FOLDER / f"{lesson}.ipynb").is_file(), row


def test_every_term_is_explained_where_the_glossary_leads():
    names = [row[0].strip("*").lower() for row in rows("glossary")]
    assert names == sorted(set(names)), "in order, each once"
    for name, meaning, lead in rows("glossary"):
        _, lesson, anchor = _LEAD.fullmatch(lead).groups()
        text = under(lesson, anchor).lower()
        assert re.search(rf"\b{re.escape(name.strip('*').lower())}", text), (name, lesson, anchor)
        assert len(meaning) <= 110


def introduced() -> dict[str, str]:
    """Short words in bold, with the lesson that has them first."""
    found = {}
    for lesson in LESSONS:
        for cell in path_of(lesson):
            for name in _INTRODUCED.findall(cell.source) if cell.kind == "markdown" else ():
                found.setdefault(name.lower(), lesson.stem)
    return found


def test_every_term_that_a_lesson_puts_in_bold_is_in_the_glossary():
    found, known = introduced(), {row[0].strip("*").lower() for row in rows("glossary")}
    assert len(found) > 80 and {"threshold", "knee", "abx test"} <= set(found)
    missing = {name: lesson for name, lesson in found.items() if name not in known | NO_TERMS}
    assert not missing, missing
    assert not NO_TERMS & known and NO_TERMS <= set(found), NO_TERMS - set(found)


# --------------------------------------------------------------------------------------------------- quick reference


def by_stage(stage: str) -> list[str]:
    return next(row for row in rows("quick_reference") if row[1] == stage)


def starting(stage: str) -> tuple[Compressor, list[tuple[float, float]]]:
    """The compressor of a row, without its threshold, and each of its times in both definitions."""
    text = by_stage(stage)[2]
    ratio = float(re.match(r"([\d.]+):1", text)[1])
    attack, release = [
        (float(one), float(ninety)) for one, ninety in re.findall(r"([\d.]+) ms \(90\s%: ([\d.]+)\sms\)", text)
    ]
    knee = re.search(r"knee ([\d.]+) dB", text)
    return Compressor(-20, ratio, attack[0], release[0], knee_db=float(knee[1]) if knee else 0), [attack, release]


def test_the_rows_follow_the_chain_and_lead_to_headings():
    stages = [row[1] for row in rows("quick_reference")]
    in_order = stages[: stages.index("rides") + 1]
    assert list(dict.fromkeys(in_order)) == [name for name in ORDER if name in in_order]
    for row in rows("quick_reference"):
        _, lesson, anchor = _LEAD.fullmatch(row[-1]).groups()
        assert under(lesson, anchor), row[-1]


@pytest.mark.parametrize("stage", ("peaks", "steady", "excitement"))
def test_what_to_watch_is_what_the_goals_ask_and_times_agree(stage):
    watch = by_stage(stage)[3]
    for goal in GOALS[stage]:
        edges = [edge for edge in (goal.low, goal.high) if edge is not None and abs(edge) < 1e6]
        if goal.measure in ("share_percent", "max_db", "median_db", "crest_change_db", "loudness_change_lu"):
            for edge in edges:
                assert re.search(rf"(?<![\d.]){abs(edge):g}(?![\d.]\d)", watch), (goal, watch)
    for stated, ninety in starting(stage)[1]:
        assert ninety == pytest.approx(stated_times(stated, 6).ninety_percent_ms, rel=0.02)


@pytest.mark.parametrize("take", ("lesson_verse_faulty", "second_verse_faulty"))
def test_the_starting_values_meet_the_goals(take):
    """Each with its threshold in the middle of its window, on what the lessons before leave, as the page says."""
    lesson = begin("07_compressor_types", take)
    voice = next(stage.source for name, stage in lesson.result.stages.items() if name == "peaks").cut(0, 10)
    for stage, measure, aim in (
        ("peaks", "share_percent", 10),
        ("steady", "median_db", 3),
        ("excitement", "median_db", 2),
    ):
        setting, _ = starting(stage)
        setting = replace(setting, threshold_db=threshold_for(setting, voice, measure, aim))
        _, gain_db = match_loudness(setting.apply(voice).output, voice)
        if stage != "peaks":
            setting = replace(setting, makeup_db=gain_db)
        change = stage_change(Chain([(stage, setting)]).apply(voice).stages[stage])
        assert all(goal.met(change) for goal in GOALS[stage]), [
            f"{goal}: {goal.verdict(change)}" for goal in GOALS[stage]
        ]
        voice = setting.apply(voice).output


# ------------------------------------------------------------------------------------------- links from every bench


def test_a_bench_leads_to_both_pages_from_wherever_its_notebook_is(tmp_path):
    for name in BOOKS:
        place = tmp_path / "reference" / f"{name}.ipynb"
        place.parent.mkdir(exist_ok=True)
        place.write_text("{}")
    below = tmp_path / "homework"
    below.mkdir()
    for folder in (tmp_path, below):
        leads = re.findall(r'href="([^"]+)"', reference_links(folder))
        assert len(leads) == 2 and all((folder / lead).is_file() for lead in leads)
    assert reference_links(tmp_path / "reference") and not reference_links(tmp_path.parent)
