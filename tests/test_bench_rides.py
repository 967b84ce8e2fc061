"""The ride bench without a page: points added, moved and removed, undo, the proposal, and that a refused edit leaves all as
it was."""

from __future__ import annotations

import html
import json

import numpy as np
import pytest
from conftest import one_sentence
from test_rides import band, sung

from vocomp_lab import Chain, FaderRide, Gain, RidePoint, shipped
from vocomp_lab.analysis.rides import propose_ride
from vocomp_lab.analysis.sections import sections_at
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.hand_editor import NEW
from vocomp_lab.bench.rides import RideBench
from vocomp_lab.lessons.course import begin
from vocomp_lab.pictures.rides import RidesPicture

pytestmark = pytest.mark.usefixtures("undrawn")
POINTS = (RidePoint(1.0, 0.0), RidePoint(2.0, 2.0), RidePoint(4.0, -1.0))


@pytest.fixture(scope="module")
def voice():
    return sung(-20, -20, -23, -20)


@pytest.fixture
def bench(voice):
    return RideBench(voice, ride=POINTS)


def error(bench):
    return html.unescape(bench._error.value)


def press(bench, name):
    assert not bench._editor.buttons[name].disabled, name
    bench._editor.buttons[name].click()


def do(bench, **command):
    bench._editor.command.value = json.dumps(command)


def told(bench):
    return json.loads(html.unescape(bench._editor.state.value.removeprefix("<span>").removesuffix("</span>")))


def test_it_begins_as_it_is_told_and_its_stage_is_kept(voice, tmp_path):
    ride = FaderRide(POINTS)
    for given in (ride, POINTS, Chain([("peaks", Gain(1)), ("rides", ride)])):
        bench = RideBench(voice, ride=given, proposing=False)
        assert bench.ride == ride and bench.proposal is None and bench._editor.buttons["Take the proposal"].disabled
    assert RideBench(voice, ride=Chain([])).ride == FaderRide()
    assert np.array_equal(bench.result.output.samples, ride.apply(voice).samples)
    lesson = begin("08_the_vocal_in_the_mix", voice, tmp_path)
    assert "Kept rides" in lesson.keep(bench)
    assert begin("08_the_vocal_in_the_mix", voice, tmp_path).kept == bench.chain
    later = begin("09_your_own_vocal", voice, tmp_path).chain
    assert later.stages[-1] == ("rides", ride), "last in the chain"


def test_take_the_proposal_and_undo_it(voice):
    bench = RideBench(voice)
    wanted = propose_ride(voice).ride
    assert (
        bench.proposal.ride == wanted
        and bench.ride == FaderRide()
        and "Proposed" in bench._editor.widget.children[1].children[2].value
    )
    before = bench.places()
    assert before["before"] == before["after"]
    press(bench, "Take the proposal")
    assert bench.ride == wanted and bench._editor.buttons["Take the proposal"].disabled
    assert bench.places()["after"].in_place_percent > before["after"].in_place_percent
    press(bench, "Undo")
    assert bench.ride == FaderRide() and bench._editor.buttons["Undo"].disabled
    press(bench, "Redo")
    assert bench.ride == wanted
    assert bench.reset().ride == FaderRide() and bench.undo().ride == wanted


def test_where_nothing_is_needed_it_says_so_and_has_nothing_to_take():
    bench = RideBench(sung(-20, -20, -20))
    assert "Nothing is proposed" in bench._editor.widget.children[1].children[2].value
    assert bench._editor.buttons["Take the proposal"].disabled
    one_sentence(pytest.raises(ValueError, bench.take_proposal), "proposal")


def test_points_are_added_moved_and_removed_in_the_picture(bench):
    do(bench, do="add", at_s=6.0004, gain_db=1.26)
    assert bench.ride.points[-1] == RidePoint(6.0, 1.3) and told(bench)["number"] == 3
    do(bench, do="move", was=2.0, at_s=2.5, gain_db=-40)
    assert bench.ride.points[1] == RidePoint(2.5, -24) and told(bench)["number"] == 1
    do(bench, do="choose", was=4.0)
    assert bench._editor.chosen == ("point", 2) and bench._editor.typed["gain_db"].value == "−1.0"
    do(bench, do="delete", was=4.0)
    assert [point.at_s for point in bench.ride.points] == [1.0, 2.5, 6.0] and bench._editor.chosen == NEW
    for _ in range(3):
        bench.undo()
    assert bench.ride.points == POINTS
    for nonsense in (
        "",
        "{}",
        "[1]",
        '{"do": "move", "was": 9, "at_s": 1, "gain_db": 0}',
        '{"do": "add"}',
        '{"do": "choose", "was": "x"}',
    ):
        bench._editor.command.value = nonsense
        assert bench.ride.points == POINTS, "a point that is gone is left alone"


def test_points_are_typed(bench):
    bench._editor.list.value = ("point", 1)
    bench._editor.typed["gain_db"].value = "1.5"
    bench._editor.typed["at_s"].value = "5"
    assert bench.ride.points == (POINTS[0], POINTS[2], RidePoint(5.0, 1.5)) and bench._editor.chosen == ("point", 2)
    press(bench, "Delete")
    assert bench._editor.chosen == NEW and not bench._editor.buttons["Add"].disabled
    bench._editor.typed["at_s"].value, bench._editor.typed["gain_db"].value = "3", "-2"
    press(bench, "Add")
    assert bench.ride.points[1] == RidePoint(3.0, -2.0) and bench._editor.chosen == ("point", 1)


@pytest.mark.parametrize("field, text, sentence", [
    ("gain_db", "13", "Fader: 13"), ("gain_db", "loud", "Fader: 'loud'"), ("at_s", "1.005", "Points: 1 s and 1.005 s are too close"),
    ("at_s", "-1", "Time: -1"),
])  # fmt: skip
def test_what_is_not_allowed_is_refused_and_changes_nothing(bench, field, text, sentence):
    bench._editor.list.value = ("point", 1)
    shown = {name: typed.value for name, typed in bench._editor.typed.items()}
    bench._editor.typed[field].value = text
    assert sentence in error(bench) and bench.ride.points == POINTS
    assert {name: typed.value for name, typed in bench._editor.typed.items()} == shown
    one_sentence(pytest.raises(ValueError, bench.set_points, [POINTS[0], POINTS[0]]), "points")


def test_the_check_is_about_the_place_and_the_largest_ride(voice, capsys):
    bench = RideBench(voice)
    bench.take_proposal().check()
    assert capsys.readouterr().out.count(": met") == 2
    bench.set_points([RidePoint(0, 6), RidePoint(10, 6), RidePoint(10.5, -6)])
    bench.check()
    assert capsys.readouterr().out.count("not met yet") == 2
    bench.leave_out().check()
    assert "left out" in capsys.readouterr().out


@pytest.mark.drawn
def test_the_picture_says_in_words_what_it_shows(voice):
    bench = RideBench(voice, band(-30, -30, -30, -30))
    bench.take_proposal()
    points = bench.ride.points
    for text in ("Within 1.5 LU of its place in", "before the ride: sinks in", "after it: ", "fader: ", "proposed: "):
        assert text in bench._screen.alt, text
    assert all(f"at {point.at_s:.2f} s" in bench._screen.alt for point in points)
    assert "largest ride <b>+2." in bench._screen.line.value
    assert told(bench)["gain_range_db"] == list(bench.gain_range_db) and bench.gain_range_db[0] >= 3
    assert bench._screen.png.startswith(b"\x89PNG")


@pytest.mark.drawn
def test_on_a_bench_for_a_whole_chain_the_voice_is_compared_with_itself(voice):
    bench = Bench(voice, Chain([("trim", Gain(-3)), ("rides", FaderRide(POINTS))]))
    assert isinstance(bench._screen.picture, RidesPicture) and "Within 1.5 LU of its place" in bench._screen.alt
    bench.leave_out()
    assert bench.chain == Chain([("trim", Gain(-3))]) and isinstance(bench._screen.picture, RidesPicture)


def test_a_demonstration_leaves_the_ride_alone(bench):
    bench.present()
    assert "before and after" in bench._presenter.widget.children[0].value, "the first step"
    bench.set_points(POINTS[:2])
    bench.present(False)
    assert bench.ride.points == POINTS[:2]


def test_the_page_gets_an_answer_whatever_became_of_its_command(bench):
    """It holds back the next command until this one is answered, and a point until its move is."""
    do(bench, do="move", was=2.0, at_s=2.5, gain_db=1, number=7)
    assert told(bench)["answered"] == 7 and told(bench)["points"][1] == [2.5, 1]
    do(bench, do="move", was=2.0, at_s=3, gain_db=1, number=8)
    assert told(bench)["answered"] == 8 and told(bench)["points"][1] == [2.5, 1], "a point that is gone"
    do(bench, do="move", was=2.5, at_s=1.001, gain_db=1, number=9)
    assert told(bench)["answered"] == 9 and "too close" in error(bench)


@pytest.mark.drawn
def test_where_nothing_can_be_said_bench_check_and_picture_say_why(voice, capsys):
    for clip, backing, why in (
        (voice, voice.gained(-300), "The band doesn't play while the voice sings"),
        (voice.cut(1.0, 1.45), None, "Too little is sung in this clip"),
        (voice.gained(-300), None, "Nobody sings in this clip"),
    ):
        bench = RideBench(clip, backing)
        bench.check()
        said = capsys.readouterr().out
        numbers = html.unescape(bench._screen.line.value)
        assert f"nothing needed. {why}" in said and bench._screen.alt.count(why) == 1
        assert "in its place (±1.5 LU) <b>– → – %</b>" in numbers
        assert not any("nan" in text for text in (said, numbers, bench._screen.alt, *map(str, bench.places().values())))


@pytest.mark.drawn
def test_a_song_is_judged_section_by_section():
    song = shipped("song_clean").clip
    bench = RideBench(song, shipped("song_backing").clip)
    assert "against its place, section by section" in bench._screen.line.value
    assert bench.proposal == propose_ride(song, shipped("song_backing").clip)
    one = RideBench(song, shipped("song_backing").clip, sections=sections_at(song, []))
    assert "section by section" not in one._screen.line.value and one.proposal.ride != bench.proposal.ride
