"""Versions of a voice with one fault each, to be guessed by ear before the numbers are read."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Callable

import numpy as np

from vocomp_lab.analysis.diagnosis import SIGNS, CompressionNumbers, beyond_limit, findings, measure_compression
from vocomp_lab.analysis.listening import match_gain_db
from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.lessons.proposals import propose_peaks, propose_steady
from vocomp_lab.lessons.tables import Table
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighShelf
from vocomp_lab.processors.gain import Gain
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_choice, check_whole


def well_set(voice: Clip) -> Chain:
    """Peak control and steady compression with the proposed settings, and no fault by the numbers."""
    chain = Chain([])
    current = voice
    for propose in (propose_peaks, propose_steady):
        proposal = propose(current)
        if proposal.processor is not None:
            chain = Chain([*chain.stages, (proposal.stage, proposal.processor)])
            current = proposal.processor.apply(current).output
    return chain


def _one(voice, compressor, median_db):
    threshold_db = threshold_for(compressor, voice, "median_db", median_db)
    return Chain([("compressor", dataclasses.replace(compressor, threshold_db=threshold_db))])


@dataclass(frozen=True)
class Fault:
    """A way to get it wrong: what was done, in words, and how, given the voice and the right chain."""

    words: str
    chain: Callable[[Clip, Chain], Chain]


FAULTS = {
    "nothing": Fault("peak control and steady compression, as proposed", lambda voice, right: right),
    "reduction": Fault(
        "6:1, 5 ms, 1.2 s, with the threshold so low that it takes off 15 dB",
        lambda voice, right: _one(voice, Compressor(-30, 6, 5, 1_200), 15.0),
    ),
    "release": Fault(
        "4:1, 1 ms, and a release of only 5 ms", lambda voice, right: _one(voice, Compressor(-30, 4, 1, 5), 3.5)
    ),
    "onsets": Fault(
        "20:1, an attack of 0.1 ms, 300 ms", lambda voice, right: _one(voice, Compressor(-30, 20, 0.1, 300), 6.0)
    ),
    "make-up": Fault(
        "the right settings, with 5 dB more make-up gain",
        lambda voice, right: Chain([*right.stages, ("too much", Gain(5.0))]),
    ),
    "noise": Fault(
        "3:1, 10 ms, a release of 60 ms, taking off 8 dB",
        lambda voice, right: _one(voice, Compressor(-30, 3, 10, 60), 8.2),
    ),
    "sibilance": Fault(
        "the right settings, then a boost of 9 dB above 5 kHz",
        lambda voice, right: Chain([*right.stages, ("bright", HighShelf(5_000, 9.0, 0.7))]),
    ),
}
"""The gallery's faults, by the sign that should reveal each; "nothing" is a chain without a fault."""


def make_faulty(voice: Clip, fault: str, right: Chain | None = None) -> ChainResult:
    """Compress a voice with one fault, at matched loudness unless that is the fault.

    Parameters
    ----------
    voice : Clip
        Prepared: level prep and filters done.
    fault : str
        One of ``FAULTS``.
    right : Chain, optional
        The right chain, if it is known already: :func:`well_set` of the voice.

    Returns
    -------
    ChainResult
    """
    check_choice("fault", fault, tuple(FAULTS))
    chain = FAULTS[fault].chain(voice, well_set(voice) if right is None else right)
    result = chain.apply(voice)
    if fault == "make-up":
        return result
    gain_db = match_gain_db(loudness(result.output).integrated_lufs, loudness(voice).integrated_lufs)
    return Chain([*chain.stages, ("make-up", Gain(gain_db))]).apply(voice, reuse=result)


class FaultGallery:
    """Versions of one voice with a fault each, and one without, in random order: guess, measure, look.

    Parameters
    ----------
    voice : Clip
        Prepared: level prep and filters done.
    seed : int, optional
        The same seed gives the same order.

    Attributes
    ----------
    voice : Clip
    clips : tuple of Clip
        The versions, number 1 first.
    """

    @asks(voice=A_CLIP)
    def __init__(self, voice: Clip, seed: int | None = None):
        random = np.random.default_rng(None if seed is None else check_whole("seed", seed, 0, 2**63 - 1))
        self._faults = tuple(tuple(FAULTS)[place] for place in random.permutation(len(FAULTS)))
        right = well_set(voice)
        self._results = tuple(make_faulty(voice, fault, right) for fault in self._faults)
        self._numbers: dict[int, CompressionNumbers] = {}
        self._guesses: dict[int, str] = {}
        self.voice = voice
        self.clips = tuple(result.output for result in self._results)

    def guess(self, guesses: dict[int, str | None]) -> None:
        """Guess what is wrong with each version, by its number; None takes a guess back. The last guess counts.

        Raises
        ------
        ValueError
            If there is no such number or no such fault.
        """
        checked = {
            self._number(number): None if fault is None else check_choice("guesses", fault, tuple(FAULTS))
            for number, fault in guesses.items()
        }
        self._guesses = {number: fault for number, fault in {**self._guesses, **checked}.items() if fault}

    def numbers(self, number: int) -> CompressionNumbers:
        """What the meters say about one version; print it for a table."""
        number = self._number(number)
        if number not in self._numbers:
            result = self._results[number - 1]
            self._numbers[number] = measure_compression(self.voice, result.output, result.reduction_db)
        return self._numbers[number]

    def table(self) -> Table:
        """The numbers of all versions side by side, with those beyond their limits marked and no fault named."""
        count = range(1, len(self.clips) + 1)

        def text(name, value):
            return SIGNS[name].text(value) + (" *" if beyond_limit(name, value) else "")

        return Table(
            [
                (f"{sign.label} ({sign.unit})", *(text(name, self.numbers(number).values[name]) for number in count))
                for name, sign in SIGNS.items()
            ],
            ("* beyond its limit", *count),
        )

    def reveal(self) -> Table:
        """What was done to each version, what was guessed, and what the numbers say.

        Raises
        ------
        ValueError
            If nothing is guessed yet.
        """
        if not self._guesses:
            raise ValueError("guesses: there are none yet; listen, and choose a fault for at least one number first.")
        rows = []
        for number, fault in enumerate(self._faults, start=1):
            guessed, told = self._guesses.get(number, ""), findings(self.numbers(number))
            right = f"{guessed} {'✓' if guessed == fault else '✗'}" if guessed else "no guess"
            said = told[0].sentence if told else "No number is beyond its limit."
            rows.append((number, f"{fault}: {FAULTS[fault].words}", right, said))
        count = sum(guessed == self._faults[number - 1] for number, guessed in self._guesses.items())
        head = "number", "what was done", f"your guess: {count} of {len(self._guesses)} right", "what the numbers say"
        return Table(rows, head)

    def _number(self, number):
        return check_whole("number", number, 1, len(self._faults))
