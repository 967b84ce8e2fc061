"""The region bench without a page: accepting, moving, splitting, undoing, and that a refused edit leaves all as it
was."""

from __future__ import annotations

import html
import json

import numpy as np
import pytest
from conftest import sine

from vocomp_lab import Chain, Compressor
from vocomp_lab.analysis.level_prep import propose_regions
from vocomp_lab.analysis.sections import edges_of, find_sections, sections_at
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.bench.region_editor import NEW, NEW_GAIN_DB
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.pictures.regions import spread_db
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip

pytestmark = pytest.mark.usefixtures("undrawn")
RATE = 16_000
OFFERED = (GainRegion(0.5, 1.0, -4), GainRegion(2.0, 3.0, 5))


@pytest.fixture(scope="module")
def clip():
    """Six tones with gaps, the second one loud."""
    parts = [
        np.concatenate([sine(220, 0.4, RATE, level), np.zeros(int(0.2 * RATE))])
        for level in (-20, -12, -20, -21, -20, -19)
    ]
    return Clip(np.concatenate(parts), RATE)


@pytest.fixture
def bench(clip):
    return RegionBench(clip, proposals=OFFERED, then=Compressor(-20, 3, 1, 80))


def error(bench):
    return html.unescape(bench._error.value)


def choose(bench, kind, index):
    bench._editor.list.value = (kind, index)


def type_in(bench, **fields):
    for name, text in fields.items():
        bench._editor.typed[name].value = text


def press(bench, name):
    assert not bench._editor.buttons[name].disabled, name
    bench._editor.buttons[name].click()


def drag(bench, **command):
    bench._editor.command.value = json.dumps(command)


@pytest.mark.drawn
def test_it_begins_without_regions_and_offers_what_the_finder_finds(clip):
    bench = RegionBench(clip)
    assert bench.gains == ClipGain() and bench.proposals == tuple(propose_regions(clip)) == bench.open_proposals
    assert np.array_equal(bench.result.output.samples, clip.samples)


def test_it_begins_with_regions_that_are_given_or_kept(clip):
    kept = Chain([("low cut", Compressor(-10, 2, 1, 50)), ("level prep", ClipGain(OFFERED, 25))])
    for given in (kept, ClipGain(OFFERED, 25)):
        assert RegionBench(clip, given, proposals=()).gains == ClipGain(OFFERED, 25)
    assert RegionBench(clip, OFFERED, proposals=()).gains.regions == OFFERED
    assert RegionBench(clip, Chain([]), proposals=()).gains == ClipGain()


def test_accepting_one_and_all(bench, clip):
    bench.accept(1)
    assert bench.gains.regions == OFFERED[1:] and bench.open_proposals == OFFERED[:1]
    with pytest.raises(ValueError, match="overlap"):
        bench.accept(1)
    bench.accept()
    assert bench.gains.regions == OFFERED and not bench.open_proposals
    assert np.array_equal(bench.result.output.samples, ClipGain(OFFERED).apply(clip).samples)
    assert bench.chain == Chain([("level prep", ClipGain(OFFERED))])
    for which in (2, -1, "none", None):
        with pytest.raises(ValueError, match="which: "):
            bench.accept(which)
    assert bench.gains.regions == OFFERED


def test_accepting_where_nothing_is_proposed(clip):
    bench = RegionBench(clip, proposals=())
    with pytest.raises(ValueError, match="no proposals"):
        bench.accept(0)
    assert bench.accept("all").gains == ClipGain()


def test_undo_and_redo_walk_through_every_change(bench):
    states = [bench.gains]
    for change in (
        lambda: bench.accept(0),
        lambda: bench.set(crossfade_ms=50),
        lambda: bench.set_regions([GainRegion(1, 2, -2)]),
    ):
        change()
        states.append(bench.gains)
    for state in states[-2::-1]:
        assert bench.undo().gains == state
    assert bench.undo().gains == states[0]
    for state in states[1:]:
        assert bench.redo().gains == state
    assert bench.redo().gains == states[-1]
    bench.undo()
    bench.accept(1)
    assert bench._editor.buttons["Redo"].disabled and bench.redo().gains == bench.gains, (
        "a new change ends what could be made again"
    )


def test_all_moves_of_the_crossfade_slider_are_one_change(bench):
    for step in (3, 5, 9):
        bench._controls.inputs["crossfade_ms"].slider.index = step
    assert bench.gains.crossfade_ms != 10
    assert bench.undo().gains.crossfade_ms == 10


def test_reset_can_be_undone(bench):
    bench.accept()
    bench.reset()
    assert bench.gains == ClipGain()
    assert bench.undo().gains.regions == OFFERED


def test_where_nothing_is_proposed_the_bench_says_so(clip):
    def says_so(**options):
        return "Nothing stands out" in RegionBench(clip, **options)._editor.widget.children[1].children[-1].value

    assert says_so(proposals=[]) and not says_so(proposals=[GainRegion(1, 2, -3)])
    assert not says_so(proposing=False), "in an exercise nobody has looked"


def test_level_prep_can_be_left_out_and_its_regions_wait(bench, capsys):
    bench.accept()
    bench.leave_out()
    assert bench.chain == Chain([]) and bench.gains.regions == OFFERED and bench.result.output is bench.clip
    assert "Left out" in bench._screen.picture.title.get_text()
    bench.check()
    assert capsys.readouterr().out == "level prep: left out, so there are no goals to meet.\n"
    bench.leave_out(on=False)
    assert bench.chain["level prep"].regions == OFFERED
    bench.leave_out().undo()
    assert bench.left_out == () and bench.gains == ClipGain()


def test_everything_by_keyboard(bench):
    choose(bench, "proposal", 0)
    assert bench._editor.typed["start_s"].disabled
    press(bench, "Accept")
    assert bench.gains.regions == OFFERED[:1] and bench._editor.list.value == ("region", 0)
    type_in(bench, gain_db="−6,5 dB")
    type_in(bench, end_s="1.2")
    type_in(bench, start_s="0.4 s")
    assert bench.gains.regions == (GainRegion(0.4, 1.2, -6.5),)
    type_in(bench, at_s="0.7")
    press(bench, "Split")
    assert bench.gains.regions == (GainRegion(0.4, 0.7, -6.5), GainRegion(0.7, 1.2, -6.5))
    choose(bench, "region", 1)
    press(bench, "Delete")
    assert bench.gains.regions == (GainRegion(0.4, 0.7, -6.5),)
    choose(bench, *NEW)
    type_in(bench, start_s="3", end_s="3.25", gain_db="2")
    assert len(bench.gains.regions) == 1, "what is typed for a new region waits for the button"
    press(bench, "Add")
    assert bench.gains.regions == (GainRegion(0.4, 0.7, -6.5), GainRegion(3, 3.25, 2)) and bench._editor.list.value == (
        "region",
        1,
    )
    press(bench, "Undo")
    press(bench, "Undo")
    press(bench, "Redo")
    assert bench.gains.regions == (GainRegion(0.4, 0.7, -6.5),)
    press(bench, "Accept all")
    assert bench.gains.regions[1:] == OFFERED[1:], "a proposal that meets a region is not open"


REFUSED = {
    "no number": (dict(gain_db="loud"), "Gain: 'loud' can't be read"),
    "too much": (dict(gain_db="30"), "Gain: 30"),
    "end before start": (dict(end_s="0.3"), "End: 0.3"),
    "onto another": (dict(end_s="2.5"), "Regions: 0.5 to 2.5 s and 2 to 3 s overlap"),
    "before the clip": (dict(start_s="-1"), "Start: -1"),
}


@pytest.mark.parametrize("fields, sentence", REFUSED.values(), ids=REFUSED)
def test_a_refused_edit_is_told_in_one_sentence_and_leaves_all_as_it_was(bench, fields, sentence):
    bench.accept()
    choose(bench, "region", 0)
    before, shown = bench.gains, {name: typed.value for name, typed in bench._editor.typed.items()}
    type_in(bench, **fields)
    assert sentence in error(bench) and error(bench).count(". ") <= 1
    assert bench.gains == before and {name: typed.value for name, typed in bench._editor.typed.items()} == shown
    bench.undo()
    assert bench.gains == ClipGain(), "what was refused is no change"
    assert error(bench) == ""


def test_set_regions_refuses_an_overlap_and_leaves_all_as_it_was(bench):
    bench.accept()
    with pytest.raises(ValueError, match="overlap"):
        bench.set_regions([GainRegion(0, 2, 1), GainRegion(1, 3, 1)])
    assert bench.gains.regions == OFFERED


def test_a_split_outside_the_region_is_told(bench):
    bench.accept(0)
    type_in(bench, at_s="2")
    press(bench, "Split")
    assert "Split at: 2" in error(bench) and bench.gains.regions == OFFERED[:1]


def test_what_the_mouse_does(bench, clip):
    drag(bench, do="add", start_s=1.2, end_s=1.6)
    assert bench.gains.regions == (GainRegion(1.2, 1.6, NEW_GAIN_DB),) and bench._editor.list.value == ("region", 0)
    for part, by_s, start_s, end_s in (("start", 0.1, 1.3, 1.6), ("end", 0.3, 1.3, 1.9), ("all", 0.05, 1.35, 1.95)):
        drag(bench, do="move", index=0, part=part, by_s=by_s)
        assert bench.gains.regions == (GainRegion(start_s, end_s, NEW_GAIN_DB),), part
    drag(bench, do="add", start_s=1.5, end_s=2.2)
    assert "overlap" in error(bench) and len(bench.gains.regions) == 1
    drag(bench, do="choose", kind="proposal", index=1)
    assert bench._editor.list.value == ("proposal", 1)
    drag(bench, do="add", start_s=3.3, end_s=99)
    assert bench.gains.regions[-1].end_s == pytest.approx(clip.duration_s)
    drag(bench, do="move", index=0, part="all", by_s=-9)
    assert bench.gains.regions[0] == GainRegion(0, 0.6, NEW_GAIN_DB), "it stops at the beginning, as long as it was"
    for nonsense in ("", "{", "[]", "7", '{"do": "add"}', '{"do": "move", "index": 9, "part": "all", "by_s": 0.2}',
                     '{"do": "move", "index": 0, "by_s": 0.2}', '{"do": "move", "index": 0, "part": "all", "by_s": "x"}',
                     '{"do": "choose", "kind": "region", "index": 9}', '{"do": "add", "start_s": 2.5, "end_s": 2.51}'):  # fmt: skip
        before = bench.gains
        bench._editor.command.value = nonsense
        assert bench.gains == before, nonsense


def test_the_page_is_told_where_everything_is(bench):
    bench.accept(0)
    state = json.loads(html.unescape(bench._editor.state.value.removeprefix("<span>").removesuffix("</span>")))
    assert state["regions"] == [[0.5, 1.0]] and state["proposals"] == [[1, 2.0, 3.0]] and state["chosen"] == [0.5, 1.0]
    assert state["window"] == [0.0, pytest.approx(bench.clip.duration_s)]


def test_numbers_and_words_say_what_changed(bench):
    assert "No region yet" in bench._screen.alt and "proposed 0.50 to 1.00 s" in bench._screen.alt
    before = bench.then_stats(bench.clip)
    bench.set_regions([GainRegion(0.55, 1.05, -8)])
    after = bench.then_stats(bench.result.output)
    assert after.max_db < before.max_db - 3
    assert "reduction of the compressor after it" in bench._screen.line.value and "1 region:" in bench._screen.alt


def test_the_self_check_can_fail_and_can_be_met(bench, capsys):
    bench.check()
    assert capsys.readouterr().out.count("not met yet") == 2
    bench.set_regions([GainRegion(0.55, 1.05, -8)])
    bench.check()
    assert "not met" not in capsys.readouterr().out
    bench.set_regions([GainRegion(0.55, 1.05, -20)])
    bench.check()
    assert "more than 9 dB: not met yet" in capsys.readouterr().out


@pytest.mark.drawn
def test_the_lesson_verse_is_mended_and_measured(tmp_path):
    """What lesson 02 says, in figures: the words closer, the reduction more even, the largest one the same."""
    from vocomp_lab.lessons.course import begin

    lesson = begin("02_level_prep", folder=tmp_path)
    bench = RegionBench(lesson.voice, then=Compressor(-20, 3, 1, 80)).accept("all")
    before, after = bench.then_stats(bench.clip), bench.then_stats(bench.result.output)
    assert len(bench.gains.regions) == 2
    assert (after.p95_db - after.median_db) < 0.85 * (before.p95_db - before.median_db)
    assert after.max_db == pytest.approx(before.max_db, abs=0.1)
    lesson.keep(bench)
    assert dict(begin("02_level_prep", folder=tmp_path).kept.stages)["level prep"] == bench.gains


def test_a_long_clip_keeps_its_times_and_shows_a_stretch(clip):
    long = Clip(np.tile(clip.samples, 14), RATE)
    bench = RegionBench(long, proposals=(), view=(30, 40))
    bench.set_regions([GainRegion(31, 32, -6)])
    moved = np.flatnonzero(bench.result.output.samples != long.samples) / RATE
    assert 30.99 < moved.min() and moved.max() < 32.01


@pytest.mark.drawn
@pytest.mark.parametrize(
    "samples",
    [np.zeros(RATE), np.zeros((RATE, 2)), np.zeros(1), sine(200, 3, RATE, -20)],
    ids=["silence", "stereo", "one frame", "a tone"],
)
def test_hostile_clips(samples):
    bench = RegionBench(Clip(samples, RATE), then=Compressor(-20, 3, 1, 80))
    assert bench.open_proposals == ()
    bench.accept("all").check()


def test_no_regions_are_refused(clip):
    with pytest.raises(ValueError, match="regions: "):
        RegionBench(clip, [(1, 2, -3)])
    with pytest.raises(ValueError, match="clip: "):
        RegionBench("take.wav", proposals=())


def test_spread_is_that_of_the_middle_nine_tenths():
    assert spread_db(np.arange(101)) == 90 and np.isnan(spread_db([]))


def test_a_step_of_the_presenters_mode_leaves_the_regions_in_force(bench):
    bench.accept()
    bench.present().set_from_start(crossfade_ms=200)
    assert bench.gains == ClipGain(OFFERED, 200)
    bench.set_from_start()
    assert bench.gains == ClipGain(OFFERED)


# ---- sections -------------------------------------------------------------------------------------------------------


@pytest.fixture
def sung(clip):
    """Twice the six tones, the first time 8 dB softer: two sections, by hand."""
    twice = Clip(np.concatenate([0.4 * clip.samples, clip.samples]), RATE)
    return RegionBench(twice, sections=sections_at(twice, [3.6]))


def named(bench):
    return [text for text, key in bench._editor.list.options if key[0] == "section"]


def sent(bench):
    return json.loads(html.unescape(bench._editor.state.value.removeprefix("<span>").removesuffix("</span>")))


@pytest.mark.drawn
def test_the_sections_of_the_song_are_found_listed_and_drawn():
    bench = RegionBench(shipped("song_clean").clip)
    assert bench.sections == find_sections(bench.clip) and len(named(bench)) == 2
    assert bench.proposals == () and "section 2: 13.5" in bench._screen.alt
    panel = bench._screen.picture.levels
    assert len(panel.edges.get_segments()) == 1
    assert [name.get_text().partition(":")[0] for name in panel.names if name.get_visible()] == [
        "section 1",
        "section 2",
    ]
    # One section by hand: as if the whole verse were a fault.
    choose(bench, "section", 0)
    press(bench, "Delete")
    assert len(bench.sections) == 1 and bench.proposals[0].gain_db > 4
    assert not panel.edges.get_segments() and not any(name.get_visible() for name in panel.names)


def test_an_edge_is_moved_a_section_split_and_joined_by_keyboard(sung):
    choose(sung, "section", 1)
    assert sung._editor.typed["end_s"].disabled and sung._editor.typed["gain_db"].disabled
    assert sung._editor.buttons["Delete"].description == "Join"
    type_in(sung, start_s="3.5 s")
    assert edges_of(sung.sections) == (3.5,) and sung._editor.list.value == ("section", 1)
    type_in(sung, at_s="5.4")
    press(sung, "Split")
    assert edges_of(sung.sections) == (3.5, 5.4) and sung._editor.list.value == ("section", 2)
    press(sung, "Delete")  # the last one joins the one before
    assert edges_of(sung.sections) == (3.5,)
    choose(sung, "section", 0)
    assert sung._editor.typed["start_s"].disabled
    type_in(sung, end_s="3.7")
    press(sung, "Delete")
    assert len(sung.sections) == len(named(sung)) == 1 and sung._editor.buttons["Delete"].disabled
    for edges_s in ((3.7,), (3.5,), (3.5, 5.4), (3.5,), (3.6,)):
        assert edges_of(sung.undo().sections) == edges_s
    assert not sung.can_undo and edges_of(sung.redo().sections) == (3.5,)
    choose(sung, *NEW)
    assert sung._editor.buttons["Delete"].description == "Delete"


def test_the_proposals_follow_the_sections_and_the_regions_stay(sung):
    assert sung.proposals == tuple(propose_regions(sung.clip, sections=sung.sections))
    sung.set_regions([GainRegion(0.1, 0.3, -2)])
    before = sung.proposals
    sung.set_sections([])
    assert sung.proposals == tuple(propose_regions(sung.clip, sections=sections_at(sung.clip, []))) != before
    assert sung.gains.regions == (GainRegion(0.1, 0.3, -2),)
    sung.undo().undo()
    assert sung.gains == ClipGain() and sung.proposals == before and not sung.can_undo


def test_a_section_is_split_where_the_player_is_and_an_edge_dragged(sung):
    choose(sung, "section", 0)
    assert sent(sung)["edges"] == [3.6] and sent(sung)["splits"]
    for at_s in (0.3, 3.3, 7.0):
        drag(sung, do="playhead", at_s=at_s)
        assert sung._editor.typed["at_s"].value.startswith("1.8"), "too near an edge, or outside: the middle"
    drag(sung, do="playhead", at_s=1.234)
    assert sung._editor.typed["at_s"].value.startswith("1.23")
    type_in(sung, at_s="2.5")
    for at_s in (1.3, 1.4):
        drag(sung, do="playhead", at_s=at_s)
    assert sung._editor.typed["at_s"].value.startswith("2.5"), "what was typed stays"
    press(sung, "Split")
    assert edges_of(sung.sections) == (2.5, 3.6)
    sung.undo()
    choose(sung, *NEW)
    choose(sung, "section", 0)
    drag(sung, do="playhead", at_s=1.234)
    press(sung, "Split")
    assert edges_of(sung.sections) == (1.23, 3.6)
    drag(sung, do="edge", index=1, by_s=0.15)
    assert edges_of(sung.sections) == (1.23, 3.75)
    for nonsense in ('{"do": "edge", "index": 7, "by_s": 0.1}', '{"do": "edge", "index": 0}', '{"do": "playhead"}'):
        sung._editor.command.value = nonsense
        assert edges_of(sung.sections) == (1.23, 3.75)


def test_sections_that_can_not_be_are_refused_in_one_sentence(sung):
    choose(sung, "section", 0)
    for field, text, sentence in (
        ("end_s", "0.2", "Sections: a section from 0.00 to 0.20 s"),
        ("end_s", "99", "Sections: 99"),
        ("at_s", "5", "Split at: 5 s is not allowed; section 1 goes from 0.00 to 3.60 s."),
    ):
        type_in(sung, **{field: text})
        if field == "at_s":
            press(sung, "Split")
        assert sentence in error(sung) and edges_of(sung.sections) == (3.6,)
    assert not sung.can_undo
    with pytest.raises(ValueError, match="edges_s: "):
        sung.set_sections([3, 3.1])
    with pytest.raises(ValueError, match="sections: "):
        RegionBench(sung.clip, sections=[1.0])


def test_where_proposals_are_given_there_are_no_sections(bench, clip):
    assert bench.sections == () and named(bench) == [] == named(RegionBench(clip, proposing=False))
    with pytest.raises(ValueError, match="edges_s: this bench"):
        bench.set_sections([1.8])
    assert bench.sections == () and not bench.can_undo


@pytest.mark.drawn
def test_what_the_picture_says_in_words_follows_the_sections(sung):
    """A screen reader reads it from the page's state, so that has to be sent as well."""
    before = sung._screen.alt
    sung.set_sections([])
    assert json.loads(sung._player.state_text)["alt"] == sung._screen.alt != before
    sung.undo()
    assert json.loads(sung._player.state_text)["alt"] == before


# ---- breaths and noise ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def verse():
    """The lesson's verse: a breath before each of four lines, of which the proposals know nothing."""
    return shipped("lesson_verse_faulty")


def breaths_button(bench):
    return bench._editor.buttons["Breaths down"]


def test_breaths_go_down_in_one_step_and_beside_the_proposals(verse):
    bench = RegionBench(verse.clip)
    assert len(bench.open_quiet) == 4 and "4 breaths by 4 dB" in breaths_button(bench).tooltip
    press(bench, "Breaths down")
    assert [region.gain_db for region in bench.gains.regions] == [-4.0] * 4 and len(bench.open_proposals) == 2
    for region, (start_s, end_s) in zip(bench.gains.regions, verse.truth["breaths"]):
        assert start_s - 0.05 < region.start_s < region.end_s < end_s + 0.05
    assert breaths_button(bench).disabled and bench.open_quiet == ()
    press(bench, "Accept all")
    assert len(bench.gains.regions) == 6
    assert bench.undo().undo().gains == ClipGain() and len(bench.redo().gains.regions) == 4
    bench.accept().undo()
    # One that was deleted can be had again, by itself.
    bench.set_regions(bench.gains.regions[1:])
    assert len(bench.open_quiet) == 1 and not breaths_button(bench).disabled
    assert len(bench.turn_breaths_down().gains.regions) == 4


def test_what_a_region_covers_already_is_not_turned_down_again(verse):
    start_s, end_s = verse.truth["breaths"][1]
    over, into = GainRegion(start_s - 0.1, end_s + 0.1, 2), GainRegion(start_s, (start_s + end_s) / 2, 2)
    assert len(RegionBench(verse.clip, [over]).open_quiet) == 3
    bench = RegionBench(verse.clip, [into]).turn_breaths_down()
    assert bench.gains.regions[2].start_s == into.end_s, "as far as there is room"


def test_without_breaths_and_in_an_exercise_there_is_nothing_to_turn_down(clip, verse):
    bench = RegionBench(clip)
    assert breaths_button(bench).disabled and breaths_button(bench).description == "No breath found"
    assert bench.turn_breaths_down().gains == ClipGain() and not bench.can_undo
    exercise = RegionBench(verse.clip, proposing=False)
    assert "Breaths down" not in exercise._editor.buttons and exercise.turn_breaths_down().gains == ClipGain()


def test_noise_in_the_pauses_goes_down_with_the_breaths_beside_it(verse):
    hiss = np.random.default_rng(4).standard_normal(verse.clip.frames) * 10 ** (-50 / 20)
    bench = RegionBench(verse.clip.with_samples(verse.clip.samples + hiss))
    assert breaths_button(bench).description == "Breaths, noise down" and "pause" in breaths_button(bench).tooltip
    press(bench, "Breaths down")
    assert {region.gain_db for region in bench.gains.regions} == {-4.0}
    sung = np.array([(word["start_s"] + word["end_s"]) / 2 for word in verse.truth["words"]])
    assert np.all(bench.gains.gain_db_at(sung) == 0.0), "no word goes down with them"


def test_breaths_are_no_flattened_words_and_a_word_for_every_region_still_is(verse, capsys):
    bench = RegionBench(verse.clip).accept().turn_breaths_down()
    bench.check()
    text = capsys.readouterr().out
    assert "not met" not in text and "(measured: 2 regions)" in text and "(measured: 3.9 dB, 4 breaths)" in text
    every = [GainRegion(word.start_s, word.end_s, -1.5) for word in voiced_words(verse.clip)]
    RegionBench(verse.clip, every).check()
    assert "regions over" in (text := capsys.readouterr().out) and text.count("not met yet") >= 2
    gone = [GainRegion(*span, -30) for span in verse.truth["breaths"]]
    RegionBench(verse.clip, gone).check()
    assert "no breath comes down by more than 6 dB: not met yet" in capsys.readouterr().out
