"""Places worth hearing: on curves and takes where they are known."""

from __future__ import annotations

import numpy as np

from vocomp_lab import Clip, shipped
from vocomp_lab.analysis.places import deepest_reductions, loudest_words

RATE = 8_000


def test_the_deepest_reductions_come_first_and_apart():
    reduction_db = np.full(10 * RATE, 0.2)
    for at_s, depth_db in ((2.0, 4.0), (2.5, 3.9), (6.0, 7.5), (9.9, 1.0)):
        reduction_db[round(at_s * RATE)] = depth_db
    found = deepest_reductions(reduction_db, RATE)
    assert [place.text for place in found] == [
        f"{db} dB of reduction at {at}" for db, at in (("7.5", "0:06.0"), ("4.0", "0:02.0"), ("1.0", "0:09.9"))
    ]
    assert (found[0].start_s, found[0].end_s) == (5.4, 6.6) and found[2].end_s == 10.0
    assert reduction_db.max() == 7.5, "the curve stays as it was"
    assert deepest_reductions(np.full(RATE, 0.4), RATE) == [] == deepest_reductions(np.zeros(0), RATE)


def test_the_loudest_words_of_a_take_are_the_ones_that_were_made_loud():
    take = shipped("lesson_verse_faulty")
    words = take.truth["words"]
    middle = np.argsort([word["end_s"] - word["start_s"] for word in words])[len(words) // 2]
    word = words[middle]
    samples = take.clip.samples.copy()
    samples[round(word["start_s"] * take.clip.rate) : round(word["end_s"] * take.clip.rate)] *= 5
    loudest = loudest_words(Clip(samples, take.clip.rate))[0]
    assert loudest.start_s < word["end_s"] and loudest.end_s > word["start_s"]
    assert loudest_words(Clip(np.zeros(RATE), RATE)) == []
