"""Fader rides: the processor, a voice against its place, and what is proposed, on tones and on the workbook's singers."""

from __future__ import annotations

import functools
import json

import numpy as np
import pytest
from conftest import one_sentence, sine
from takes import ci_only, make_take

from vocomp_lab import Chain, Clip, FaderRide, RidePoint, active_mask, propose_chain, proposed_chain, shipped
from vocomp_lab.analysis.harm import measure_harm
from vocomp_lab.analysis.mix import balance, presence, vocal_over_backing
from vocomp_lab.analysis.rides import ENOUGH_PERCENT, MOST_RIDE_DB, MOVE_S, propose_ride, voice_place
from vocomp_lab.analysis.sections import Section, find_sections, sections_at
from vocomp_lab.lessons.proposals import propose_rides

RATE = 16_000
RIDE = FaderRide([RidePoint(1.0, 0.0), RidePoint(2.0, 3.0), RidePoint(4.0, -6.0)])

# ---- the processor ----------------------------------------------------------------------------------------------


def test_the_gain_is_a_line_in_decibels_held_at_both_ends():
    clip = Clip(np.ones(5 * RATE), RATE)
    out = RIDE.apply(clip).samples
    for at_s, gain_db in ((0.0, 0.0), (0.9, 0.0), (1.5, 1.5), (2.0, 3.0), (3.0, -1.5), (4.0, -6.0), (4.9, -6.0)):
        assert 20 * np.log10(out[int(at_s * RATE)]) == pytest.approx(gain_db, abs=1e-9), at_s
    assert np.array_equal(FaderRide().apply(clip).samples, clip.samples)
    assert FaderRide([RidePoint(3.0, 2.0)]).gain_db_at([0.0, 9.0]).tolist() == [2.0, 2.0]
    assert RIDE.farthest_db == -6.0 and FaderRide().farthest_db == 0.0


def test_points_are_sorted_and_edits_give_new_rides():
    assert FaderRide([RidePoint(2, 1), RidePoint(1, 0)]).points == (RidePoint(1, 0), RidePoint(2, 1))
    assert RIDE.moved(1, 2.5, 1.0).points[1] == RidePoint(2.5, 1.0) and RIDE.points[1] == RidePoint(2.0, 3.0)
    assert RIDE.without(0).with_point(RidePoint(1.0, 0.0)) == RIDE


@pytest.mark.parametrize("start_s", [0.0, 0.7, 1.5, 1.995, 2.0, 3.999, 5.0])
def test_the_rest_of_a_ride_is_the_ride_of_the_rest(start_s):
    times_s = np.linspace(0, 3, 301)
    left = RIDE.cut_from(start_s).gain_db_at(times_s)
    # Closer than 10 ms to a point the line may begin at that point: at 9 dB/s that is under 0.1 dB.
    np.testing.assert_allclose(left, RIDE.gain_db_at(start_s + times_s), atol=0.05)


@pytest.mark.parametrize("make, named", [
    (lambda: RidePoint(-1, 0), ("at_s",)), (lambda: RidePoint(1, 13), ("gain_db", "12")), (lambda: RidePoint(1, -25), ("gain_db", "24")),
    (lambda: RidePoint(float("nan"), 0), ("at_s",)), (lambda: FaderRide([(1, 2)]), ("points", "RidePoint")),
    (lambda: FaderRide([RidePoint(1, 0), RidePoint(1.005, 1)]), ("points", "10 ms")),
    (lambda: FaderRide().without(0), ("index",)), (lambda: RIDE.moved(3, 1, 0), ("index", "2")),
], ids=range(8))  # fmt: skip
def test_what_is_not_allowed_is_refused_in_one_sentence(make, named):
    one_sentence(pytest.raises(ValueError, make), *named)


def test_a_settings_sheet_holds_it():
    chain = Chain([("rides", RIDE)])
    assert Chain.from_json(chain.to_json()) == chain
    sheet = json.loads(chain.to_json())
    sheet["stages"][0]["settings"]["points"][1]["gain_db"] = 40
    one_sentence(pytest.raises(ValueError, Chain.from_dict, sheet), "gain_db", "points number 2")


# ---- a voice against its place ----------------------------------------------------------------------------------


def sung(*levels_dbfs, seconds=4.0, pause_s=1.0, rate=RATE):
    """Lines of 220 Hz with harmonics, one level each (and one length, if several are given), and pauses with a little noise."""
    rng, parts = np.random.default_rng(0), []
    for level_dbfs, long_s in zip(levels_dbfs, np.broadcast_to(seconds, len(levels_dbfs))):
        tones = sum(sine(220 * n, long_s, rate, level_dbfs) / n for n in (1, 2, 3, 4, 5))
        # A word about every half second.
        tones = tones * np.where(np.arange(len(tones)) // (rate // 4) % 2, 0.25, 1.0)
        parts += [np.zeros(int(pause_s * rate)), tones]
    samples = np.concatenate([*parts, np.zeros(rate)])
    return Clip(samples + 1e-5 * rng.standard_normal(len(samples)), rate)


def band(*levels_dbfs, seconds=4.0, pause_s=1.0):
    """Steady noise, at one level for each of the lines and the pause before it."""
    rng = np.random.default_rng(1)
    parts = [10 ** (level / 20) * rng.standard_normal(int((seconds + pause_s) * RATE)) for level in levels_dbfs]
    return Clip(np.concatenate([*parts, parts[-1][:RATE]]), RATE)


def at_line(number, curve):
    """A curve over the middle of a line."""
    times_s, off_lu = curve
    return off_lu[(times_s > 5 * number + 2) & (times_s < 5 * number + 4)]


def test_a_voice_is_above_its_place_by_what_it_is_louder():
    place = voice_place(sung(-20, -23, -20, -16))
    for number, off_lu in enumerate((0.0, -3.0, 0.0, 4.0)):
        np.testing.assert_allclose(at_line(number, (place.times_s, place.off_lu)), off_lu, atol=0.6)
    assert np.isnan(place.off_lu[(place.times_s > 5.4) & (place.times_s < 5.6)]).all(), "in a pause"


def test_with_a_band_it_is_the_distance_that_counts():
    """A voice that is softer where the band is, too, holds its place."""
    voice = sung(-20, -24, -20, -24)
    alone, together, apart = (
        voice_place(voice, under).presence() for under in (None, band(-30, -34, -30, -34), band(-30, -30, -30, -30))
    )
    assert together.in_place_percent > 95 > 60 > max(alone.in_place_percent, apart.in_place_percent)
    assert not propose_ride(voice, band(-30, -34, -30, -34)).ride.points
    assert propose_ride(voice, band(-30, -30, -30, -30)).ride.points


def test_sections_are_compared_with_themselves():
    """A soft first half is no fault where it is said to be a section of its own."""
    voice = sung(-24, -24, -18, -18)
    assert propose_ride(voice, sections=sections_at(voice, [])).ride.points
    assert propose_ride(voice, sections=sections_at(voice, [10.5])).ride.points == ()
    for wrong in ([(0, 10.5)], [], [Section(0, 4, -20), Section(5, 9, -20)]):
        one_sentence(pytest.raises(ValueError, voice_place, voice, sections=wrong), "sections")


@pytest.mark.parametrize("under", [None, "song_backing"], ids=["alone", "with its own band"])
def test_a_verse_is_not_lifted_to_its_chorus(under):
    """The song as it was meant: as one section, all lines of its verse went up by about 3 dB and its chorus came down."""
    song = shipped("song_clean")
    backing = under and shipped(under).clip
    found = find_sections(song.clip)
    assert len(found) == 2 and voice_place(song.clip).sections == found
    as_one = propose_ride(song.clip, sections=sections_at(song.clip, [])).ride
    ride = propose_ride(song.clip, backing).ride if backing else propose_rides(song.clip).processor
    for section, moved_db in zip(found, (2.0, -0.75)):
        words = [word for word in song.truth["words"] if section.start_s <= word["start_s"] < section.end_s]
        times_s = np.concatenate([np.linspace(word["start_s"], word["end_s"], 20) for word in words])
        assert abs(ride.gain_db_at(times_s).mean()) < 0.75 < abs(as_one.gain_db_at(times_s).mean())
        assert as_one.gain_db_at(times_s).mean() / moved_db > 1


def test_what_does_not_fit_is_refused_in_one_sentence():
    voice = sung(-20)
    one_sentence(pytest.raises(ValueError, voice_place, "voice"), "voice")
    one_sentence(pytest.raises(ValueError, voice_place, voice, recorded=voice.cut(0, 2)), "recorded", "frames")
    one_sentence(pytest.raises(ValueError, voice_place, voice, band(-20).cut(0, 2)), "vocal", "frames")


# ---- what is proposed -------------------------------------------------------------------------------------------


def test_a_soft_line_is_lifted_and_the_pauses_are_not():
    voice = sung(-20, -20, -23, -20)
    found = propose_ride(voice)
    gain_db = found.ride.gain_db_at
    assert gain_db(np.arange(12, 14, 0.1)) == pytest.approx(2.5), "four fifths of 3 dB"
    for start_s, end_s in ((0, 10.9), (15 + MOVE_S + 0.1, 21)):
        assert np.abs(gain_db(np.arange(start_s, end_s, 0.05))).max() == 0.0
    assert found.after.in_place_percent > found.before.in_place_percent + 15
    assert found.ride == propose_ride(voice.gained(-12)).ride, "another level changes nothing"


def test_no_move_is_faster_than_a_hand_or_goes_too_far():
    found = propose_ride(sung(-20, -12, -20, -30, -20, -20))
    points = found.ride.points
    slopes = [(b.gain_db - a.gain_db) / (b.at_s - a.at_s) for a, b in zip(points, points[1:])]
    assert points and max(map(abs, slopes)) <= 2 * MOST_RIDE_DB / MOVE_S + 1e-6
    assert abs(found.ride.farthest_db) == MOST_RIDE_DB


@pytest.mark.parametrize("rate", [RATE, 22_050, 11_025])
@pytest.mark.parametrize("short_s", [0.12, 0.3, 0.45, 0.7])
def test_a_phrase_that_is_too_short_for_two_moves_is_not_lifted(rate, short_s):
    """At 22,050 and 11,025 Hz a step of 10 ms is none, so two moves once met a few milliseconds apart."""
    for level_dbfs in (-27, -14):
        voice = sung(-20, level_dbfs, -20, -26, -20, seconds=(4, short_s, 4, 4, 4), rate=rate)
        ride = propose_ride(voice).ride
        points = ride.points
        assert points, "the fourth line is far off"
        moves_s = [b.at_s - a.at_s for a, b in zip(points, points[1:]) if a.gain_db != b.gain_db]
        assert min(moves_s) >= MOVE_S - 0.0011 and max(moves_s) <= MOVE_S + 0.0011, "times are rounded to 1 ms"
        pause_s = np.arange(6 + short_s + 0.05, 6.95 + short_s, 0.01)
        assert ride.gain_db_at(pause_s)[pause_s > 6 + short_s + MOVE_S + 0.05].max() <= 0
        if short_s < 2 * MOVE_S - 0.1:
            assert ride.gain_db_at(np.arange(5, 7 + short_s, 0.01)).max() <= 0


def test_where_nothing_can_be_said_it_says_why():
    voice = sung(-20, -20)
    silence = voice.gained(-300)
    for found, words in (
        (propose_ride(silence), "Nobody sings"),
        (propose_ride(voice, silence), "The band doesn't play while the voice sings"),
        (propose_ride(voice.cut(1.0, 1.45)), "Too little is sung"),
        (propose_ride(voice.cut(1.0, 1.45), band(-30, -30).cut(1.0, 1.45)), "Too little is sung"),
    ):
        assert not found.ride.points and found.reason.startswith(words), found.reason


def test_silence_and_an_even_voice_get_none():
    silent = propose_ride(Clip(np.zeros(5 * RATE), RATE))
    assert not silent.ride.points and "Nobody sings" in silent.reason
    even = propose_ride(sung(-20, -20.5, -19.5, -20))
    assert not even.ride.points and even.before == even.after and "nothing to ride" in even.reason
    assert propose_rides(sung(-20, -20, -20)).processor is None


@functools.lru_cache(maxsize=None)
def finished(verse, seed):
    """A take that nothing was tuned on, with the chain that is proposed for it; without its ride."""
    take = make_take(verse, seed)
    chain = proposed_chain([one for one in propose_chain(take.clip) if one.stage != "rides"])
    return take, chain, chain.apply(take.clip).output


KEYS = [("first", 401), ("second", 401), ("first", 402), ("second", 402), ("first", 403), ("second", 403)]


@pytest.mark.parametrize("key", [KEYS[0], *ci_only(KEYS[1:])], ids=str)
def test_a_finished_voice_is_nearer_to_its_place_and_no_breath_comes_up(key, count):
    take, chain, voice = finished(*key)
    backing = shipped("backing").clip
    for under, on in ((None, "alone"), (backing, "with the band")):
        found = propose_ride(voice, under, recorded=take.clip)
        on = f"the workbook's singers, {on}"
        better = found.after.in_place_percent > found.before.in_place_percent
        held = found.before.in_place_percent >= ENOUGH_PERCENT
        count("rides: better, or in its place to begin with", on, [better or held], 1.0)
        count(
            "rides: no breath comes up",
            on,
            [found.ride.gain_db_at(span).max() <= 0.0 for span in take.truth["breaths"]],
            1.0,
        )
        if under is not None:
            # The mix bench's own measures, which know nothing of a hand's pace.
            for before, after in zip(*(spreads(one, backing, take) for one in (voice, found.ride.apply(voice)))):
                count(
                    "rides: the mix bench's spread of phrases and of words is no wider by over 0.3 LU",
                    on,
                    [after <= before + 0.3],
                    1.0,
                )
        result = Chain([*chain.stages, ("rides", found.ride)]).apply(take.clip)
        count(
            "rides: no check of harm blames them",
            on,
            [all(one.blamed != "rides" for one in measure_harm(result).checks)],
            1.0,
        )


def spreads(voice, backing, take):
    """Of the phrases, and of the words."""
    laid, sung_there = balance(voice, backing), active_mask(take.clip)
    for kind in ("phrases", "words"):
        _, difference = vocal_over_backing(laid.vocal, backing, sung_there, kind)
        yield presence(difference, 0.0).spread_lu
