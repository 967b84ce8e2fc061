"""A chain over a sound of any length, block by block: little memory, and the same result as all at once.

Each processor's flow (:mod:`vocomp_lab.processors.flow`) takes blocks in and hands out pieces of the same total length.
Rendering a file through a chain: ``09_your_own_vocal``.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from contextlib import nullcontext

import numpy as np

from vocomp_lab.processors.chain import A_CHAIN, PROCESSORS, Chain
from vocomp_lab.processors.flow import PIECE_FRAMES, Flow
from vocomp_lab.processors.recursion import STRETCH_FRAMES
from vocomp_lab.processors.spool import Spool
from vocomp_lab.sound.audio import A_CLIP, LARGEST_SAMPLE, Clip, check_samples
from vocomp_lab.sound.checks import asks, shown


class ChainFlow:
    """A chain at work on a sound that comes in blocks.

    Parameters
    ----------
    chain : Chain
    rate, channels : int
    watch : function, optional
        Called as watch(name, reduction_db) with each stretch of each dynamics stage's reduction, in order.

    Raises
    ------
    ValueError
        If a stage can't work on blocks, or not at this rate.
    """

    def __init__(self, chain: Chain, rate: int, channels: int, watch=None):
        self.watch = watch
        self.flows: list[tuple[str, Flow]] = []
        grain = 1
        for name, processor in reversed(chain.stages):
            if not callable(getattr(processor, "flow", None)):
                raise ValueError(
                    f"stages: {shown(name)} is a {type(processor).__name__}, which can't work on blocks; "
                    f"these can: {', '.join(PROCESSORS)}."
                )
            try:
                flow = processor.flow(rate, channels)
                if flow.needs_every_bit:
                    grain = STRETCH_FRAMES
                flow.for_blocks(grain)
            except ValueError as error:
                raise ValueError(f"stages: {shown(name)}: {error}") from None
            self.flows.insert(0, (name, flow))

    def push(
        self, block: np.ndarray, last: bool = False, begin: int = 0, end: int | None = None
    ) -> Iterator[np.ndarray]:
        """Take in samples, shape (frames, channels), and hand out what is ready, in pieces of that shape.

        Parameters
        ----------
        block : ndarray
            May be empty.
        last : bool
            Nothing comes after this block, so everything still held back is handed out.
        begin, end : int, optional
            The stages that work on it: from this place in the chain to before that one. Default: all.

        Raises
        ------
        ValueError
            If a stage makes the sound too large for a clip.
        """
        return self._through(begin, len(self.flows) if end is None else end, block, last)

    def _through(self, place, end, block, last):
        if place == end:
            if len(block):
                yield block
            return
        name, flow = self.flows[place]
        for start in range(0, max(len(block), 1), PIECE_FRAMES):
            # Each piece goes through all stages before the next one is made, so no stage gets much at a time.
            part, final = block[start : start + PIECE_FRAMES], last and start + PIECE_FRAMES >= len(block)
            for piece in flow.push(part, final):
                out = piece.samples
                if piece.reduction_db is not None and self.watch is not None and len(out):
                    self.watch(name, piece.reduction_db)
                try:
                    check_samples(out)
                except ValueError:
                    raise ValueError(
                        f"stages: {shown(name)} made samples too large for a clip, over {LARGEST_SAMPLE:g}; turn the sound down "
                        "before it."
                    ) from None
                if len(out):
                    yield from self._through(place + 1, end, out, False)
            if final:
                yield from self._through(place + 1, end, block[:0], True)


def stages_that_ask(chain: Chain, rate: int, channels: int) -> list[str]:
    """The stages that must know the power of their whole input before they begin, in order.

    The stages before each one must be done by then, so what they make is kept on disk (:mod:`vocomp_lab.processors.spool`).
    """
    return [name for name, flow in ChainFlow(chain, rate, channels).flows if flow.asks_for_power]


@asks(chain=A_CHAIN, clip=A_CLIP)
def total_reduction_db(chain: Chain, clip: Clip) -> np.ndarray:
    """The summed reductions of a chain's stages, without keeping what each stage made of the clip.

    Parameters
    ----------
    chain : Chain
    clip : Clip

    Returns
    -------
    ndarray, shape (frames,)
        dB, ≥ 0: what ``chain.apply(clip).reduction_db`` gives, in a fraction of the memory.

    Raises
    ------
    ValueError
        As :func:`in_blocks`.
    """
    total, done = np.zeros(clip.frames), dict.fromkeys((name for name, _ in chain.stages), 0)

    def add(name, reduction_db):
        start = done[name]
        done[name] = start + len(reduction_db)
        total[start : done[name]] += reduction_db

    def blocks():
        return (clip.columns[start : start + STRETCH_FRAMES] for start in range(0, clip.frames, STRETCH_FRAMES))

    for _ in in_blocks(chain, blocks, clip.rate, clip.channels, add):
        pass
    return total


def in_blocks(
    chain: Chain,
    blocks: Callable[[], Iterable[np.ndarray]],
    rate: int,
    channels: int,
    watch: Callable[[str, np.ndarray], None] | None = None,
    folder=None,
    progress: Callable[[int], None] | None = None,
) -> Iterator[np.ndarray]:
    """Run a chain over a sound that comes in blocks.

    Parameters
    ----------
    chain : Chain
    blocks : function
        Gives the sound, in arrays of shape (frames, channels) of any lengths. Called once.
    rate : int
        Samples per second.
    channels : int
    watch : function, optional
        Called as watch(name, reduction_db) with each stretch of each dynamics stage's reduction, in order.
    folder : str or path-like, optional
        On whose disk a working copy lies, where one is needed; default: the system's folder for such files.
    progress : function, optional
        Called with the number of frames of each block that went through a part of the chain. There is one part more than
        stages that ask, and every frame goes through each.

    Yields
    ------
    ndarray, shape (frames, channels)
        As long as the sound in total.

    Raises
    ------
    ValueError
        If a stage can't work on blocks, or not at this rate, or makes the sound too large for a clip.
    OSError
        If the disk has no room for a working copy.

    Notes
    -----
    Equal to ``chain.apply`` of the whole to 1e-9, however the sound is cut. The sound is read once, and each stage works
    once. What goes into a stage that :func:`stages_that_ask` names waits in a working copy on disk. Memory depends on the
    number of channels and stages, not on the length.
    """
    flow = ChainFlow(chain, rate, channels, watch)
    asking = [place for place, (_, stage) in enumerate(flow.flows) if stage.asks_for_power]
    with Spool(channels, folder) if asking else nullcontext() as spool:
        begin, sound = 0, blocks()
        for place in asking:
            for out in _run(flow, sound, begin, place, progress):
                spool.put(out)
            flow.flows[place][1].input_power, sound = spool.taken()
            begin = place
        yield from _run(flow, sound, begin, None, progress)


def _run(flow: ChainFlow, blocks: Iterable[np.ndarray], begin: int, end: int | None, progress) -> Iterator[np.ndarray]:
    """What the stages from `begin` to before `end` make of a sound."""
    waiting = None
    for block in itertools.chain(blocks, [None]):
        if waiting is not None:
            yield from flow.push(waiting, block is None, begin, end)
            if progress is not None:
                progress(len(waiting))
        waiting = block
