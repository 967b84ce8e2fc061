"""A plain gain: the trim before a compressor, which decides what its threshold sees."""

from __future__ import annotations

from dataclasses import dataclass

from vocomp_lab.processors.flow import Flow, Piece, Processor
from vocomp_lab.sound.checks import Range


class GainFlow(Flow):
    """Multiplies every sample by the same factor."""

    def push(self, block, last):
        # The same product as Clip.gained.
        yield Piece(block * 10.0 ** (self.processor.gain_db / 20.0))


@dataclass(frozen=True)
class Gain(Processor):
    """The same gain for every sample.

    Parameters
    ----------
    gain_db : float
        −60 to 60 dB; below 0 is softer.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.

    Notes
    -----
    Moves every level of the clip by the same amount and changes nothing else: crest factor and loudness range stay.
    Samples may go over full scale; only a file of whole numbers would clip them.

    Examples
    --------
    >>> from vocomp_lab import Clip, Gain
    >>> Gain(gain_db=-20).apply(Clip([0.5, -1.0], 48_000)).samples.round(3).tolist()
    [0.05, -0.1]
    """

    gain_db: float = 0.0

    FLOW = GainFlow
    RULES = {"gain_db": Range(-60, 60, "dB")}
