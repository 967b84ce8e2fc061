"""Sections: joins of takes that nothing was tuned on are found in the pause, and what is one section stays one.

The finder was tuned on seeds 101 to 106 of the synthetic singers and on recorded takes below ``HELD_OUT`` in the languages
``TO_TUNE`` (``tests/recorded.py``).
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from conftest import IN_CI, sine
from recorded import FAULTS, cases, recorded
from takes import make_take

from vocomp_lab.analysis.level_prep import find_uneven, propose_regions
from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.sections import Section, edges_of, find_sections, sections_at
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.singer.song import VERSES, shipped
from vocomp_lab.sound.audio import Clip

SEEDS = range(401, 404) if IN_CI else range(401, 402)
RECORDED = cases(15, 6, first=1_100) if IN_CI else cases(2, 1, first=1_100)
KINDS = {
    "the workbook's singers": [(verse, seed) for verse in VERSES for seed in SEEDS],
    "spoken takes": [key for key in RECORDED if key[0] != "sung"],
    "sung takes": [key for key in RECORDED if key[0] == "sung"],
}
SLACK = 0.0 if IN_CI else 0.25
"""So few takes as a plain run judges may miss the bar by chance."""


@functools.lru_cache(maxsize=None)
def take(key, faulty: bool) -> tuple[Clip, float, float]:
    """A take, and when its words begin and end."""
    if key[0] in VERSES:
        made = {kind: make_take(*key, kind) for kind in (False, True)}[faulty]  # sung once for both
        return made.clip, made.truth["words"][0]["start_s"], made.truth["words"][-1]["end_s"]
    made = recorded(*key, FAULTS[:4] if faulty else ())
    return made.clip, made.words[0, 0], made.words[-1, 1]


@functools.lru_cache(maxsize=None)
def levels(key, faulty: bool) -> tuple[float, float]:
    """Loudness and peak of a take."""
    clip = take(key, faulty)[0]
    return integrated_lufs(clip), np.abs(clip.samples).max()


def joined(first, then, step_db, faulty=False):
    """`then` after `first`, louder by `step_db`; and the pause between their words, in seconds."""
    (clip, _, last_s), (other, first_s, _) = take(first, faulty), take(then, faulty)
    (loudness, peak), (other_loudness, other_peak) = levels(first, faulty), levels(then, faulty)
    gain = 10 ** ((loudness - other_loudness + step_db) / 20)
    scale = 0.25 / max(peak, gain * other_peak)
    samples = np.concatenate([scale * clip.samples, scale * gain * other.samples])
    return Clip(samples, clip.rate), (last_s, clip.duration_s + first_s)


def pairs(keys):
    """Each take with itself, and with the next one: of another singer where there is one, else by the same."""
    for place, key in enumerate(keys):
        same_rate = [other for other in keys if take(other, False)[0].rate == take(key, False)[0].rate]
        yield key, key
        yield key, same_rate[(same_rate.index(key) + len(same_rate) // 2) % len(same_rate)]


def edges(clip) -> tuple[float, ...]:
    return edges_of(find_sections(clip))


@pytest.mark.parametrize("on", KINDS)
def test_joins_of_takes_are_found_in_the_pause_between_them(on, count):
    rng = np.random.default_rng(len(on))
    hits = {"softer": [], "louder": [], "regions": []}
    for first, then in pairs(KINDS[on]):
        for name, sign in (("softer", -1), ("louder", 1)):
            clip, (last_s, first_s) = joined(first, then, sign * rng.uniform(4, 9))
            found = edges(clip)
            hits[name].append(len(found) == 1 and last_s - 0.05 <= found[0] <= first_s + 0.05)
            if not hits[name][-1]:
                print("missed:", first, then, name, (last_s, first_s), found)
            if first == then:
                hits["regions"].append(len(propose_regions(clip)) <= 2 * len(propose_regions(take(first, False)[0])))
    for name in ("softer", "louder"):
        count(f"sections: a second part that is 4 to 9 dB {name} begins in the pause", on, hits[name], 0.9 - SLACK)
    count(
        "sections: level prep of two parts 4 to 9 dB apart proposes no more than for each",
        on,
        hits["regions"],
        0.9 - SLACK,
    )


@pytest.mark.parametrize("on", KINDS)
def test_one_section_stays_one(on, count):
    """Takes as they are, and two of them joined at the same level: clean, and with a loud word and a quiet phrase each."""
    for faulty, what in ((False, "without faults"), (True, "with a loud word and a quiet phrase")):
        alone = [edges(take(key, faulty)[0]) == () for key in KINDS[on]]
        level = [edges(joined(*pair, 0.0, faulty)[0]) == () for pair in pairs(KINDS[on])]
        count(f"sections: a take {what} is one section", on, alone, 0.95 - SLACK)
        count(f"sections: two takes {what}, joined at one level, are one section", on, level, 0.85 - SLACK)


def test_the_song_has_a_verse_and_a_chorus_that_level_prep_leaves_as_they_are():
    """As one section its whole verse would be turned up; the faults within the sections are found all the same."""
    for name in ("song_clean", "song_faulty"):
        take = shipped(name)
        (found,), pause = edges(take.clip), take.truth["pauses"][4]
        assert pause[0] <= found <= pause[1]
    clean, faulty = shipped("song_clean").clip, take
    assert propose_regions(clean) == []
    as_one = propose_regions(clean, sections=sections_at(clean, []))
    assert as_one[0].gain_db > 4 and as_one[0].end_s - as_one[0].start_s > 10
    uneven = find_uneven(faulty.clip)
    assert [one.kind for one in uneven] == ["quiet phrase", "loud word"]
    gains, faults = ClipGain(propose_regions(faulty.clip)), faulty.truth["faults"]
    for fault in (faults["quiet_phrase"], faults["loud_word"]):
        middle_s = (fault["start_s"] + fault["end_s"]) / 2
        assert gains.gain_db_at(middle_s) == pytest.approx(-fault["gain_db"], abs=2.6)


@pytest.mark.parametrize("verse", ["lesson_verse_clean", "second_verse_clean"])
def test_half_of_a_joined_verse_being_softer_gets_no_gain(verse):
    clip = shipped(verse).clip
    both = Clip(np.concatenate([clip.gained(-6).samples, clip.samples]), clip.rate)
    assert propose_regions(both) == [] != propose_regions(both, sections=sections_at(both, []))


def test_three_sections_and_one_that_comes_back():
    clip = shipped("lesson_verse_clean").clip
    song = Clip(np.concatenate([clip.gained(gain_db).samples for gain_db in (-7, 0, -7)]) * 0.5, clip.rate)
    found = find_sections(song)
    assert len(found) == 3 and [section.start_s for section in found] == pytest.approx([0, 15.6, 31.2], abs=1.0)
    assert found[1].level_lufs - found[0].level_lufs == pytest.approx(7, abs=0.5)
    assert found[0].level_lufs == pytest.approx(found[2].level_lufs, abs=0.5)


def test_sections_fill_the_clip_from_its_start_to_its_end():
    clip = shipped("lesson_verse_clean").clip
    for found in (find_sections(clip), sections_at(clip, [4.0, 9.5])):
        assert found[0].start_s == 0 and found[-1].end_s == clip.duration_s
        assert all(a.end_s == b.start_s for a, b in zip(found, found[1:]))
    assert edges_of(sections_at(clip, [4, 9.5])) == (4.0, 9.5)


@pytest.mark.parametrize(
    "samples", [np.zeros(9), np.zeros((8_000, 2)), sine(200, 30, 8_000, -20)], ids=["few", "silence", "tone"]
)
def test_where_nobody_sings_there_is_one_section(samples):
    (only,) = find_sections(Clip(samples, 8_000))
    assert only.start_s == 0 and only.end_s == pytest.approx(len(samples) / 8_000)


def test_a_region_does_not_reach_over_an_edge_that_was_set_by_hand():
    """An edge between two words of the quiet phrase parts its region."""
    take = shipped("lesson_verse_faulty")
    edge_s = next(word["end_s"] for word in take.truth["words"] if word["text"] == "seven")
    (whole,) = (one for one in propose_regions(take.clip) if one.start_s < edge_s < one.end_s)
    parts = propose_regions(take.clip, sections=sections_at(take.clip, [edge_s]))
    inside = [one for one in parts if one.start_s < whole.end_s and one.end_s > whole.start_s]
    assert len(inside) == 2 and all(one.gain_db > 0 for one in inside)
    # A word belongs to the section that its middle is in; a region ends halfway to the next section's word.
    assert [inside[0].end_s, inside[1].start_s] == pytest.approx([edge_s, edge_s], abs=0.05)


@pytest.mark.parametrize(
    "make, sentence",
    [
        (lambda clip: sections_at(clip, [99]), "edges_s: 99"),
        (lambda clip: sections_at(clip, ["x"]), "edges_s: 'x'"),
        (lambda clip: sections_at(clip, [5, 5.2]), "edges_s: a section from 5.00 to 5.20 s"),
        (lambda clip: sections_at(clip, [7, 5]), "edges_s: a section from 7.00 to 5.00 s"),
        (lambda clip: propose_regions(clip, sections=[]), "sections: give a list"),
        (lambda clip: propose_regions(clip, sections=[3.0]), "sections: give a list"),
        (
            lambda clip: propose_regions(clip, sections=[Section(0, 4, -20), Section(5, 9, -20)]),
            "sections: one begins at 5",
        ),
    ],
)
def test_refusals_are_one_sentence(make, sentence):
    with pytest.raises(ValueError, match=sentence) as refusal:
        make(shipped("lesson_verse_clean").clip)
    assert "\n" not in str(refusal.value) and str(refusal.value).endswith(".")
