"""A processor at work: it takes sound in, in one block or in many, and hands out the result.

Each processor's arithmetic stands once, in its *flow*. `apply(clip)` runs that flow on the whole clip as a single
block; :mod:`vocomp_lab.processors.blocks` runs it on a sound of any length, block by block. A flow keeps what it needs
to know of the past. One that needs the future (look-ahead, filters without delay) holds sound back until the future is
there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import ClassVar, NamedTuple

import numpy as np

from vocomp_lab.processors.memory import Memory
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Having, Settings, asks

PIECE_FRAMES = 1 << 17
"""Where sound comes in blocks, no flow is given, or hands out, more frames than this at a time."""


class Piece(NamedTuple):
    """What a flow hands out at a time; the two curves only if it works on dynamics."""

    samples: np.ndarray
    """Shape (frames, channels)."""
    reduction_db: np.ndarray | None = None
    """Gain reduction, dB, ≥ 0, shape (frames,)."""
    detector_db: np.ndarray | None = None
    """Level that the gain computer saw, dB, shape (frames,)."""


class Queue:
    """Arrays go in at one end and come out at the other, in other lengths.

    Parameters
    ----------
    width : int, optional
        Number of columns; without it the arrays have one dimension.
    """

    def __init__(self, width: int | None = None):
        self._empty = np.empty(0 if width is None else (0, width))
        self._parts: deque[np.ndarray] = deque()
        self._size = 0

    def __len__(self):
        return self._size

    def put(self, values: np.ndarray) -> None:
        """Add values at the end. They are not copied."""
        if len(values):
            self._parts.append(values)
            self._size += len(values)

    def take(self, count: int) -> np.ndarray:
        """Remove and return the next `count` values, or as many as there are."""
        taken = []
        while count > 0 and self._parts:
            part = self._parts.popleft()
            if len(part) > count:
                self._parts.appendleft(part[count:])
                part = part[:count]
            taken.append(part)
            count -= len(part)
            self._size -= len(part)
        return taken[0] if len(taken) == 1 else np.concatenate(taken) if taken else self._empty

    def look(self, count: int) -> list[np.ndarray]:
        """The next `count` values, in the parts they came in; they stay in the queue."""
        parts = []
        for part in self._parts:
            if count > 0:
                parts.append(part[:count])
                count -= len(part)
        return parts


class Flow:
    """Base of the flows. It is set up for one whole sound; :meth:`for_blocks` sets it up for blocks.

    Parameters
    ----------
    processor : Processor
    rate, channels : int

    Raises
    ------
    ValueError
        If the settings can't work at this rate.

    Attributes
    ----------
    asks_for_power : bool
        Whether it must know the mean square of everything that will come in before it begins.
    input_power : float, optional
        That mean square: to be set before the first block.
    needs_every_bit : bool
        Whether it turns a rounding error in its input into a larger one.
    """

    asks_for_power = False
    needs_every_bit = False

    def __init__(self, processor: Processor, rate: int, channels: int):
        self.processor, self.rate, self.channels = processor, rate, channels
        self.memory = Memory()
        self._grain, self._piece_frames = 1, None
        self.input_power: float | None = None

    def for_blocks(self, grain: int = 1) -> None:
        """Get ready for a sound that comes in blocks.

        Parameters
        ----------
        grain : int
            A number of frames. A recursion is solved for whole multiples of it, counted from the start of the sound.
            :func:`vocomp_lab.processors.recursion.solve` works in stretches: with the same stretches as for the whole
            sound, it rounds alike.

        Raises
        ------
        ValueError
            If the settings can't work on blocks at this rate.
        """
        self._grain, self._piece_frames = grain, PIECE_FRAMES

    def push(self, block: np.ndarray, last: bool) -> Iterator[Piece]:
        """Take in samples, shape (frames, channels), and hand out what is ready. Nothing comes after the `last`
        ones."""
        raise NotImplementedError

    def whole(self, columns: np.ndarray) -> Piece:
        """The result for a whole sound, shape (frames, channels), at least one frame."""
        if self.asks_for_power:
            self.input_power = mean_square(columns)
        (piece,) = self.push(columns, True)
        return piece

    def ready(self, waiting: int, last: bool) -> int:
        """How many of the waiting frames can be solved now."""
        return waiting if last else waiting // self._grain * self._grain

    def pieces(self, frames: int) -> Iterator[slice]:
        """The stretches in which so many frames are handed out; a single one for a whole sound."""
        step = self._piece_frames or max(frames, 1)
        return (slice(start, min(start + step, frames)) for start in range(0, frames, step))


A_PROCESSOR = Having(("apply",), "a processor, such as Compressor(-18, 3, 5, 80)")
"""The rule that something changes a clip."""


class Processor(Settings):
    """Base of everything that changes a clip: settings that check themselves, and the flow that applies them."""

    FLOW: ClassVar[type[Flow]]

    def flow(self, rate: int, channels: int) -> Flow:
        """The processor at work at a sample rate, on so many channels, everything at rest.

        Raises
        ------
        ValueError
            If the settings can't work at this rate.
        """
        return self.FLOW(self, rate, channels)

    @asks(clip=A_CLIP)
    def apply(self, clip: Clip) -> Clip:
        """The processed clip, as long as the source and in time with it.

        Raises
        ------
        ValueError
            If the settings can't work at the clip's rate, or the samples get too large for a number.
        """
        return in_shape_of(clip, self.flow(clip.rate, clip.channels).whole(clip.columns).samples)


def in_shape_of(clip: Clip, columns: np.ndarray) -> Clip:
    """Samples of shape (frames, channels) as a clip with the shape and rate of another."""
    return clip.with_samples(columns.reshape(clip.samples.shape))


def reducing(processor, clip: Clip):
    """What a processor or chain makes of a clip, with the gain reduction that it did it by.

    Raises
    ------
    ValueError
        If it has none.
    """
    result = processor.apply(clip)
    if getattr(result, "reduction_db", None) is None:
        raise ValueError(
            f"processor: a {type(processor).__name__} has no gain reduction; give a compressor, such as "
            "Compressor(-18, 3, 5, 80), or a chain."
        )
    return result


def mean_square(columns: np.ndarray) -> float:
    """Mean square of all samples of all channels."""
    flat = columns.reshape(-1)
    return float(np.dot(flat, flat)) / flat.size
