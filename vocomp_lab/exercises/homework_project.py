"""The final project: the whole job on a take of the learner's own, as ``09_your_own_vocal`` puts it together.

Two lines of one of the workbook's verses, spoilt anew for each learner: one word too loud, the other line too soft,
a ring, a thump, rumble, and a level of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from scipy.fft import next_fast_len, rfft

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.analysis.lowend import measure_low_end
from vocomp_lab.analysis.measures import decibels
from vocomp_lab.analysis.meters import active_mask, peak_to_loudness_ratio_db, active_rms_dbfs
from vocomp_lab.analysis.resonance import find_resonances
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.exercises.tasks import Aim, BuildIt, Built, Diagnose, FindIt, HearIt, Task, WorkOut, stage_aim
from vocomp_lab.lessons.proposals import propose_steady
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.singer.faults import Boxiness, HardOnsets, Hiss, LoudWord, Pops, QuietPhrase, Rumble
from vocomp_lab.singer.song import shipped
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import power_to_db, sample_peak_dbfs, true_peak_dbtp

TITLE = "The whole vocal"

_LINES = (
    ("lesson_verse_clean", 0), ("lesson_verse_clean", 1), ("lesson_verse_clean", 2), ("second_verse_clean", 1),
)  # fmt: skip
"""Verses, and the first of two lines of theirs that are sung about as loud as each other."""
_AROUND_S = 0.3
_LONG_WORD_S = 0.25
_LEAST_EVEN_DB = 1.5
_VOICE_BAND_HZ = (150.0, 5000.0)
# Neither a low cut nor a cut of a boxy ring reaches up here: what other bands are held against.
_STILL_BAND_HZ = (1000.0, 4000.0)


@lru_cache(maxsize=4)
def _shipped(name: str):
    return shipped(name)


def _power(clip: Clip, band_hz, spans) -> float:
    """Mean power of a clip between two frequencies, over some stretches of time as (start_s, end_s)."""
    total = frames = 0.0
    for start_s, end_s in spans:
        part = clip.samples[int(start_s * clip.rate) : int(end_s * clip.rate)]
        # Zeros behind it change no energy, and a length without large prime factors is many times as fast.
        length = next_fast_len(len(part), real=True)
        first, last = (math.ceil(hz * length / clip.rate) for hz in band_hz)
        # Parseval's theorem.
        total += 2 * float(np.sum(np.abs(rfft(part, length)[first:last]) ** 2)) / length
        frames += len(part)
    return total / frames


def _level_db(clip: Clip, band_hz, spans) -> float:
    return power_to_db(_power(clip, band_hz, spans), floor_db=-200.0)


def _span(item) -> tuple[float, float]:
    return item["start_s"], item["end_s"]


@lru_cache(maxsize=16)
def _sung(name: str, first: int):
    """Two lines of a verse as they were sung: the clip, and its words and lines with times of their own."""
    take = _shipped(name)
    lines = take.truth["phrases"][first : first + 2]
    start_s = lines[0]["start_s"] - _AROUND_S
    clip = take.clip.cut(start_s, lines[1]["end_s"] + _AROUND_S)

    def moved(item):
        return {**item, "start_s": item["start_s"] - start_s, "end_s": item["end_s"] - start_s}

    words = [
        {**moved(word), "phones": [moved(phone) for phone in word["phones"]],
         "notes": [moved(note) for note in word["notes"]], "line": word["phrase"] - first}
        for line in lines for word in take.truth["words"][slice(*line["words"])]
    ]  # fmt: skip
    return clip, words, [moved(line) for line in lines]


def _neighbours(words, place: int) -> list:
    """The two longer words on either side of a word, in its own line: what it is held against."""
    line = [n for n, word in enumerate(words) if word["line"] == words[place]["line"]]
    longer = [n for n in line if words[n]["end_s"] - words[n]["start_s"] >= _LONG_WORD_S]
    near = [n for n in longer if n < place][-2:] + [n for n in longer if n > place][:2]
    return [_span(words[n]) for n in near]


@lru_cache(maxsize=16)
def _candidates(name: str, first: int) -> list[int]:
    """Words that can be made too loud: long, not at a line's end, and sung about as loud as their neighbours."""
    clip, words, _ = _sung(name, first)
    found = []
    for n, word in enumerate(words):
        around = _neighbours(words, n)
        inside = 0 < n < len(words) - 1 and words[n - 1]["line"] == word["line"] == words[n + 1]["line"]
        if inside and word["end_s"] - word["start_s"] > 0.28 and len(around) >= 3:
            out_db = _level_db(clip, _VOICE_BAND_HZ, [_span(word)]) - _level_db(clip, _VOICE_BAND_HZ, around)
            if abs(out_db) < _LEAST_EVEN_DB:
                found.append(n)
    return found


@dataclass(frozen=True)
class _Own:
    """A learner's take: what was drawn for it, and what follows from that."""

    name: str
    first: int
    word: int
    word_db: float
    line_db: float
    ring_hz: float
    ring_db: float
    pop_word: int
    pop_hz: float
    pop_dbfs: float
    rumble_dbfs: float
    level_db: float
    noise_seed: int

    @property
    def words(self) -> list:
        return _sung(self.name, self.first)[1]

    @property
    def loud(self) -> tuple[float, float]:
        """When the loud word is sung."""
        return _span(self.words[self.word])

    @property
    def soft_line(self) -> tuple[float, float]:
        """When the line is sung that is too soft: the other one."""
        return _span(_sung(self.name, self.first)[2][1 - self.words[self.word]["line"]])

    @property
    def pop_s(self) -> float:
        """When the thump begins."""
        phone = self.words[self.pop_word]["phones"][0]
        return phone.get("release_s", phone["start_s"])

    @property
    def knocks_s(self) -> tuple[float, ...]:
        """Where words begin hard: what is left for the compressor for peaks."""
        return tuple(w["phones"][0].get("release_s", w["start_s"]) for w in self.words if w["hard_onset"])

    @cached_property
    def clip(self) -> Clip:
        """The take as recorded."""
        clean, words, _ = _sung(self.name, self.first)
        faults = (
            LoudWord(self.word, words[self.word]["text"], *self.loud, self.word_db),
            QuietPhrase(0, "", *self.soft_line, self.line_db),
            HardOnsets(self.knocks_s, 11.0, 25.0),
            Boxiness(self.ring_hz, self.ring_db, 3.0),
            Pops((self.pop_s,), (self.pop_hz,), (self.pop_dbfs,)),
            Rumble(30.0, 60.0, self.rumble_dbfs, self.noise_seed),
            Hiss(-68.0, self.noise_seed),
        )
        clip = clean.gained(-6.0 - sample_peak_dbfs(clean))
        for fault in faults:
            clip = fault.apply(clip)
        return clip.gained(self.level_db)

    @property
    def lowest_note(self) -> dict:
        return min((note for word in self.words for note in word["notes"]), key=lambda note: note["pitch_hz"])

    def outstanding_db(self, clip: Clip) -> float:
        """Level of the loud word against its neighbours."""
        around = _neighbours(self.words, self.word)
        return _level_db(clip, _VOICE_BAND_HZ, [self.loud]) - _level_db(clip, _VOICE_BAND_HZ, around)

    def lines_db(self, clip: Clip) -> float:
        """Level of the soft line against the other, both without the loud word."""
        loud_line = self.words[self.word]["line"]
        spans = {True: [], False: []}
        for n, word in enumerate(self.words):
            if n != self.word:
                spans[word["line"] == loud_line].append(_span(word))
        return _level_db(clip, _VOICE_BAND_HZ, spans[False]) - _level_db(clip, _VOICE_BAND_HZ, spans[True])

    def moved_db(self, clip: Clip) -> float:
        """The largest change of level of any word of the loud line but the loud one."""
        loud_line = self.words[self.word]["line"]
        spans = [_span(w) for n, w in enumerate(self.words) if n != self.word and w["line"] == loud_line]
        return max(
            abs(_level_db(clip, _VOICE_BAND_HZ, [span]) - _level_db(self.clip, _VOICE_BAND_HZ, [span]))
            for span in spans
        )

    def _band_change_db(self, clip: Clip, band_hz, span) -> float:
        """How a band changed against the band of 1 to 4 kHz."""
        after, before = (
            _level_db(one, band_hz, [span]) - _level_db(one, _STILL_BAND_HZ, [span]) for one in (clip, self.clip)
        )
        return after - before

    def low_end_db(self, clip: Clip) -> float:
        """Change of what lies below the voice, up to 50 Hz."""
        return self._band_change_db(clip, (20.0, 50.0), (0.0, clip.duration_s))

    def lowest_note_db(self, clip: Clip) -> float:
        """Change of the lowest sung note's fundamental."""
        note = self.lowest_note
        band_hz = (0.84 * note["pitch_hz"], 1.19 * note["pitch_hz"])
        return self._band_change_db(clip, band_hz, _span(note))

    def ring_change_db(self, clip: Clip) -> float:
        """Change around the ring, a third of an octave wide."""
        band_hz = (self.ring_hz / 1.12, self.ring_hz * 1.12)
        # Word by word, so that it does not matter which words were turned up or down.
        spans = [_span(word) for word in self.words if word["end_s"] - word["start_s"] >= _LONG_WORD_S]
        return float(np.median([self._band_change_db(clip, band_hz, span) for span in spans]))

    @cached_property
    def levels(self) -> ClipGain:
        """What brings word and line to their neighbours, in steps of half a decibel."""
        word_db, line_db = (
            -round(2 * value) / 2 for value in (self.outstanding_db(self.clip), self.lines_db(self.clip))
        )
        return ClipGain((GainRegion(*self.loud, word_db), GainRegion(*self.soft_line, line_db)))

    @cached_property
    def filters(self) -> Chain:
        """What takes out the low end and part of the ring."""
        corner_hz = min(5 * round(0.14 * self.lowest_note["pitch_hz"]), 120)
        return Chain([("low cut", HighPass(corner_hz, 4)), ("boxiness", Peaking(self.ring_hz, -6, 2.5))])

    @cached_property
    def prepared(self) -> Clip:
        """The take as both compressors should get it."""
        return self.filters.apply(self.levels.apply(self.clip)).output

    def compressors(self):
        """Pairs of compressors to try, the most likely one first."""
        for ratio, share_percent in ((4, 10.0), (8, 8.0), (8, 12.0), (4, 6.0)):
            peaks = Compressor(0, ratio, 1, 80)
            peaks = replace(peaks, threshold_db=threshold_for(peaks, self.prepared, "share_percent", share_percent))
            steady = propose_steady(peaks.apply(self.prepared).output).processor
            if steady is not None:
                yield Chain([("peaks", peaks), ("steady", steady)])


@lru_cache(maxsize=4)
def _one(own: _Own) -> _Own:
    """The same object again for the same take, with all that it has found out."""
    return own


def _own(draw) -> _Own:
    """The learner's take, the same in every task."""
    draw = draw.shared("project take")
    name, first = draw.choice(_LINES)
    word = draw.choice(_candidates(name, first))
    _, words, _ = _sung(name, first)
    starts = [n for n, w in enumerate(words) if n != word and w["phones"][0]["phone"] in "pbktdg"]
    return _one(
        _Own(
            name, first, word, word_db=draw.step(7, 9, 0.5), line_db=-draw.step(5, 6.5, 0.5),
            ring_hz=draw.step(320, 620, 10), ring_db=draw.step(6, 8, 0.5), pop_word=draw.choice(starts),
            pop_hz=draw.step(32, 44, 1), pop_dbfs=draw.step(-13, -10, 0.5), rumble_dbfs=draw.step(-44, -38, 1),
            level_db=draw.step(-9, -2, 0.5), noise_seed=draw.seed(),
        )
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------------- 1, diagnosis

_FIRST_THINGS = {
    "word": "one word stands far out: level it by hand",
    "thump": "something thumps below the voice: a low cut",
    "ring": "something rings in the voice: an equaliser",
    "clean": "none of them: it is ready for the compressors",
}
# Few, so that a marker measures each of them once.
_OTHER_LINES = (("lesson_verse_clean", 1), ("second_verse_clean", 0))


@lru_cache(maxsize=16)
def _seen_to(name: str, first: int, fault: str, severity: int):
    """Numbers of somebody else's take with one fault, or none."""
    clean, words, _ = _sung(name, first)
    word = _candidates(name, first)[severity % len(_candidates(name, first))]
    clip = clean.gained(-12.0 - sample_peak_dbfs(clean))
    if fault == "word":
        clip = LoudWord(word, "", *_span(words[word]), 8.0 + 0.5 * severity).apply(clip)
    if fault == "ring":
        clip = Boxiness(440.0 + 40 * severity, 8.0 + 0.5 * severity, 3.0).apply(clip)
    if fault == "thump":
        clip = Pops((words[word]["start_s"],), (38.0,), (-16.0 + 2 * severity,)).apply(clip)
    sung = active_mask(clip)
    outs = [
        _level_db(clip, _VOICE_BAND_HZ, [_span(w)]) - _level_db(clip, _VOICE_BAND_HZ, _neighbours(words, n))
        for n, w in enumerate(words)
        if w["end_s"] - w["start_s"] >= _LONG_WORD_S
    ]
    rings = find_resonances(clip)
    return {
        "rms": active_rms_dbfs(clip, sung),
        "peak": sample_peak_dbfs(clip),
        "thump": measure_low_end(clip, sung).thump_db,
        "out": max(outs),
        "ring": rings[0].gain_db if rings else 0.0,
    }


def _first_thing(draw):
    fault, severity = draw.choice(list(_FIRST_THINGS)), draw.choice(range(2))
    numbers = _seen_to(*draw.choice(_OTHER_LINES), fault, severity)
    level = draw.step(-6, 2, 0.5)
    rows = (
        ("level while singing", f"{decibels(numbers['rms'] + level)} dBFS RMS"),
        ("peak", f"{decibels(numbers['peak'] + level)} dBFS"),
        ("loudest 50 ms below the voice", f"{decibels(numbers['thump'], sign=True)} dB against the voice"),
        ("word that stands out most", f"{decibels(numbers['out'], sign=True)} dB against its neighbours"),
        ("strongest ring, 150 to 1,200 Hz", f"{decibels(numbers['ring'], sign=True)} dB out of the voice"),
    )
    thump = decibels(numbers["thump"], sign=True)
    table = "\n".join(f"    {label:<34}{value}" for label, value in rows)
    return Diagnose(
        prompt=f"A friend sends two lines of another take, and these numbers. Which one thing has to be seen to before "
        f"any compressor gets it? (Worth a stage: a word from about 6 dB on, a ring from about 6 dB on, since part of it "
        f"is the voice's own, and a thump from about −20 dB on. Common practice, no source.)\n\n{table}",
        choices=_FIRST_THINGS,
        answer=fault,
        why_not={
            "word": f"Its loudest word stands {decibels(numbers['out'])} dB out of its neighbours.",
            "thump": f"Below the voice the loudest moment has {thump} dB: no compressor notices that.",
            "ring": f"The strongest ring stands {decibels(numbers['ring'])} dB out, and some of that is any voice's own.",
            "clean": "One of the rows is far from what a sound take has.",
        },
        hints=(
            "Three rows are suspects, one for each fault: take them one by one.",
            "Each fault has its own limit: which row is beyond it?",
        ),
        solution=f"Below the voice there is {thump} dB at most; the word stands out by {decibels(numbers['out'])} dB; the "
        f"strongest ring by {decibels(numbers['ring'])} dB. So it is **{fault}**: {_FIRST_THINGS[fault]}.",
    )


# ---------------------------------------------------------------------------------------------- 2, what stands out


def _standing_out(draw):
    own = _own(draw)
    word = own.words[own.word]["text"]
    return FindIt(
        prompt="**This take is yours for the rest of the project.** Before anything else, find what a compressor would "
        "react to first: the one word that is far too loud, and the one thump below the voice. Give two times: one "
        "within the word, and one within a tenth of a second of the thump.",
        clip=lambda: own.clip,
        windows=(
            (*own.loud, f"the loud word, “{word}”"),
            (own.pop_s - 0.1, own.pop_s + 0.1, "the thump"),
        ),
        unit="s",
        hints=(
            "The word is thick in the waveform for all its length. The thump is over within a tenth of a second, and you "
            "hear it in the chest, not in the ear.",
            "`low_end, voice = split_low_end(home.clip(2))` from `vocomp_lab.lowend` parts the two; the loudest sample of "
            "each tells a time.",
        ),
        solution=f"“{word}” from {own.loud[0]:.2f} to {own.loud[1]:.2f} s is {own.word_db:g} dB too loud; the thump comes "
        f"at {own.pop_s:.2f} s.",
    )


# --------------------------------------------------------------------------------------------------------- 3, levels


def _ends(of) -> object:
    return lambda built: of(built.output)


def _level_aims(own: _Own, within_db: float = 2.0) -> tuple:
    return (
        Aim("the loud word against its neighbours", "dB", _ends(own.outstanding_db), -within_db, within_db),
        Aim("the soft line against the other", "dB", _ends(own.lines_db), -within_db, within_db),
    )


def _levels(draw):
    own = _own(draw)
    word_aim, line_aim = _level_aims(own)
    still = Aim("largest move of any other word in the loud word's line", "dB", _ends(own.moved_db), high=1.5)

    def wrong_word(built: Built, unmet) -> bool:
        gains = built.chain.stages[0][1]
        return (
            word_aim.label in unmet
            and isinstance(gains, ClipGain)
            and any(
                region.gain_db <= -2 and not (region.start_s < own.loud[1] and region.end_s > own.loud[0])
                for region in gains.regions
            )
        )

    return BuildIt(
        prompt="Level prep, by hand: bring the loud word back among its neighbours, and the line that is too soft up to "
        "the other. What was sung well stays where it is. (A word is measured between 150 Hz and 5 kHz, against the two "
        "longer words on either side.)",
        clip=lambda: own.clip,
        start=Chain([("level prep", ClipGain())]),
        aims=(word_aim, line_aim, still),
        candidates=lambda: [Chain([("level prep", own.levels)])],
        mistakes={"wrong_word": wrong_word},
        hints=(
            "Two regions: one around the word, from its first consonant to its end; one around the whole soft line.",
            "Begin with −6 dB on the word and +4 dB on the line, give it, and read how far off you are.",
        ),
        solution=" and ".join(
            f"{decibels(region.gain_db, sign=True)} dB from {region.start_s:.2f} to {region.end_s:.2f} s"
            for region in own.levels.regions
        )
        + ": measured back to their neighbours, to half a decibel.",
    )


# -------------------------------------------------------------------------------------------------------- 4, filters

_NO_FILTERS = Chain([("low cut", HighPass(20, 2)), ("boxiness", Peaking(1000, 0, 2))])
_LOW_END, _LOWEST_NOTE = "what lies below 50 Hz, against the voice: change", "the lowest sung note: change"


def _filter_aims(own: _Own) -> tuple:
    return (
        Aim(_LOW_END, "dB", _ends(own.low_end_db), high=-10),
        Aim(_LOWEST_NOTE, "dB", _ends(own.lowest_note_db), low=-1.5),
        Aim("the ring: change", "dB", _ends(own.ring_change_db), -8.5, -1.5),
    )


def _into_the_voice(_, unmet) -> bool:
    return _LOWEST_NOTE in unmet


def _filters(draw):
    own = _own(draw)
    low_cut, cut = own.filters["low cut"], own.filters["boxiness"]
    return BuildIt(
        prompt="Take out what the compressors must not react to: the rumble and the thump, without touching the lowest "
        "note of these two lines; and part of the ring, wherever it is. (Each is measured against what lies between 1 "
        "and 4 kHz.)",
        clip=lambda: own.clip,
        start=_NO_FILTERS,
        aims=_filter_aims(own),
        candidates=lambda: [own.filters],
        mistakes={"into_the_voice": _into_the_voice},
        hints=(
            "Raise the corner till the low end is gone; if the note goes with it, take a higher order and a lower corner.",
            "Sweep for the ring: a bell of +10 dB and a q of 4, moved slowly from 250 to 700 Hz; where it honks, turn it "
            "into a cut. `find_resonances(home.clip(4))` lists suspects.",
        ),
        solution=f"The lowest note is at {own.lowest_note['pitch_hz']:.0f} Hz: a corner of {low_cut.freq_hz:g} Hz of order "
        f"{low_cut.order} spares it. The ring of {own.ring_db:g} dB is at {own.ring_hz:g} Hz; "
        f"{decibels(cut.gain_db)} dB with a q of {cut.q:g} takes most of it.",
    )


# ---------------------------------------------------------------------------------------------------- 5, compressors

_IDLE = Chain([("peaks", Compressor(0, 4, 1, 80)), ("steady", Compressor(0, 2.5, 10, 200, 6))])
_COMPRESSOR_AIMS = (
    stage_aim("peaks", "share_percent", high=15),
    stage_aim("peaks", "max_db", 2, 8),
    stage_aim("steady", "share_percent", low=80),
    stage_aim("steady", "median_db", 2, 5),
)


def _never_lets_go(built: Built, _) -> bool:
    change = built.change("peaks")
    return change is not None and change.reduction is not None and change.reduction.share > 0.6


def _worked_too_hard(built: Built, _) -> bool:
    change = built.change("steady")
    return change is not None and change.reduction is not None and change.reduction.median_db > 5


def _matching_alone(label: str):
    return lambda _, unmet: unmet == {label}


def _compressors(draw):
    own = _own(draw)
    keeps = stage_aim("steady", "loudness_change_lu", -0.5, 0.5)

    def solution() -> str:
        return (
            "Peaks: the threshold that only the loudest moments reach, with 1 ms and 80 ms. Steady: a threshold below "
            "nearly all that is sung, a low ratio, a soft knee; its make-up gain is about as large as its median reduction, "
            "and the loudness says how large exactly."
        )

    return BuildIt(
        prompt="Your take, levelled and filtered for you, so that this task does not hang on the ones before. Set both "
        "compressors: `peaks` acts now and then, `steady` nearly all the time, and gives back the loudness it takes.",
        clip=lambda: own.prepared,
        start=_IDLE,
        aims=(*_COMPRESSOR_AIMS, keeps),
        candidates=own.compressors,
        mistakes={
            "never_lets_go": _never_lets_go,
            "worked_too_hard": _worked_too_hard,
            "forgot_to_match": _matching_alone(keeps.label),
        },
        hints=(
            "Peaks first: the second one gets what the first one leaves, so the other way round you would set it twice.",
            "The steady one acts too seldom? A lower threshold. Then it takes too much? A lower ratio, or a softer knee.",
        ),
        solution=solution(),
    )


# ------------------------------------------------------------------------------------------------- 6, the whole chain


def _whole(draw):
    own, target = _own(draw), draw.choice((-24.0, -23.0, -22.0))
    loudness = Aim("loudness", "LUFS", lambda built: built.numbers.loudness_lufs, target - 0.5, target + 0.5)
    aims = (
        # The stages behind level prep move words, too, by a little.
        *_level_aims(own, 2.5),
        *_filter_aims(own),
        *_COMPRESSOR_AIMS,
        loudness,
        Aim("true peak", "dBTP", _ends(true_peak_dbtp), high=-1),
        # A voice whose peaks are nearer than this has been pressed flat; common practice, no source.
        Aim("peaks above the loudness", "dB", _ends(peak_to_loudness_ratio_db), low=9),
    )

    def candidates():
        for pair in own.compressors():
            stages = [("level prep", own.levels), *own.filters.stages, *pair.stages]
            gain_db = target - integrated_lufs(pair.apply(own.prepared).output)
            yield Chain([*stages, ("deliver", Gain(round(gain_db, 1)))])

    def left_to_the_compressor(built: Built, _) -> bool:
        return own.outstanding_db(built.into("peaks")) > 4

    return BuildIt(
        prompt=f"The whole job on the take as it was recorded: level by hand, filters, both compressors, and a last gain, "
        f"called `deliver`, that brings the result to **{decibels(target, 0)} LUFS**. Any chain that does the job is right, "
        f"with more stages or in another order, if you can say why.",
        clip=lambda: own.clip,
        start=Chain([("level prep", ClipGain()), *_NO_FILTERS.stages, *_IDLE.stages, ("deliver", Gain(0))]),
        aims=aims,
        candidates=candidates,
        mistakes={
            "left_to_the_compressor": left_to_the_compressor,
            "into_the_voice": _into_the_voice,
            "never_lets_go": _never_lets_go,
            "worked_too_hard": _worked_too_hard,
            "last_gain_left_out": _matching_alone(loudness.label),
        },
        hints=(
            "Go from front to back: every stage changes what the next one gets. What you found in tasks 3 to 5 is a place "
            "to start.",
            "The last gain is a subtraction: asked loudness minus measured loudness.",
        ),
        solution="The stages of the three tasks before, in their order; then `deliver` by as much as the loudness is off. "
        f"For this take: {decibels(-own.word_db)} dB on the word, a low cut below {own.lowest_note['pitch_hz']:.0f} Hz, a "
        f"cut at {own.ring_hz:g} Hz, and both compressors as in task 5.",
    )


# -------------------------------------------------------------------------------------------------- 7 and 8, the rest


def _heard(draw):
    return HearIt(
        rounds=6,
        prompt="Your own result against the take as recorded, at the same loudness, without knowing which is which: six "
        "trials. Then ask yourself the other question: which of them would you put into the song?",
        hints=("Switch in the middle of a line, between two words of which one is loud and the other soft.",),
        solution="There is none: what counts is that you have listened at the same loudness. If the two are hard to tell "
        "apart, your chain does little; if one is easy to tell because it pumps or lisps, it does too much.",
    )


def _elsewhere(draw):
    threshold, trim = -draw.step(20, 32, 0.5), draw.choice((-6.0, -4.5, -3.0, 3.0, 4.5, 6.0, 7.5))
    hotter = draw.choice((2.0, 2.5, 5.0, 8.0))
    answer = threshold - trim + hotter
    return WorkOut(
        prompt=f"Your settings sheet says: a trim of **{decibels(trim, sign=True)} dB**, and further down `steady` with a "
        f"threshold of **{decibels(threshold)} dBFS**. Next week the same singer sings as loud as before, with the "
        f"preamplifier turned up by **{hotter:g} dB**, and the desk has no trim. At which threshold does the compressor "
        f"take as much as on your sheet?",
        answer=answer,
        unit="dBFS",
        tolerance=0.1,
        mistakes={
            "trim_left_out": threshold + hotter,
            "inverted": threshold + trim - hotter,
            "gain_left_out": threshold - trim,
            "sign": -answer,
        },
        hints=(
            "What counts is how far the voice lies above the threshold. By how much does the level at the compressor change?",
            "Two changes: the trim that is missing, and the gain that is added in front.",
        ),
        solution=f"Without the trim the voice arrives {decibels(-trim, sign=True)} dB against the sheet, with the "
        f"preamplifier {decibels(hotter - trim, sign=True)} dB. The threshold goes along: {decibels(threshold)} "
        f"{decibels(hotter - trim, sign=True)} = **{decibels(answer)} dBFS**. A sheet without its level says nothing.",
    )


TASKS = (
    Task("first_thing", "What comes first?", _first_thing),
    Task("standing_out", "What stands out of your take?", _standing_out),
    Task("levels", "Level by hand", _levels, points=2),
    Task("filters", "What the compressors must not hear", _filters, points=2),
    Task("compressors", "Two compressors", _compressors, points=2),
    Task("whole", "The whole chain, delivered", _whole, points=5),
    Task("heard", "Raw against finished", _heard),
    Task("elsewhere", "The sheet in another room", _elsewhere),
)
