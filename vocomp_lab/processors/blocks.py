"""A chain over a sound of any length, block by block: little memory, and the same result as all at once.

Each processor's flow (:mod:`vocomp_lab.processors.flow`) takes blocks in and hands out pieces of the same total length.
Rendering a file through a chain: ``09_your_own_vocal``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from vocomp_lab.processors.chain import A_CHAIN, PROCESSORS, Chain
from vocomp_lab.processors.flow import PIECE_FRAMES, Flow
from vocomp_lab.processors.recursion import STRETCH_FRAMES
from vocomp_lab.sound.audio import A_CLIP, LARGEST_SAMPLE, Clip, check_samples
from vocomp_lab.sound.checks import asks, shown


class ChainFlow:
    """A chain at work on a sound that comes in blocks.

    Parameters
    ----------
    chain : Chain
    rate, channels : int
    powers : dict of float
        Mean square of the input of each stage that asks for it (:func:`stages_that_ask`), by name.
    watch : function, optional
        Called as watch(name, reduction_db) with each stretch of each dynamics stage's reduction, in order.

    Raises
    ------
    ValueError
        If a stage can't work on blocks, or not at this rate.
    """

    def __init__(self, chain: Chain, rate: int, channels: int, powers: dict[str, float] | None = None, watch=None):
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
                flow.for_blocks(grain, (powers or {}).get(name))
            except ValueError as error:
                raise ValueError(f"stages: {shown(name)}: {error}") from None
            self.flows.insert(0, (name, flow))

    def push(self, block: np.ndarray, last: bool = False) -> Iterator[np.ndarray]:
        """Take in samples, shape (frames, channels), and hand out what is ready, in pieces of that shape.

        Parameters
        ----------
        block : ndarray
            May be empty.
        last : bool
            Nothing comes after this block, so everything still held back is handed out.

        Raises
        ------
        ValueError
            If a stage makes the sound too large for a clip.
        """
        return self._through(0, block, last)

    def _through(self, place, block, last):
        if place == len(self.flows):
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
                    yield from self._through(place + 1, out, False)
            if final:
                yield from self._through(place + 1, block[:0], True)


def stages_that_ask(chain: Chain, rate: int, channels: int) -> list[str]:
    """The stages that must know the power of their whole input before they begin, in order.

    Each costs one more reading of the sound.
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
) -> Iterator[np.ndarray]:
    """Run a chain over a sound that comes in blocks.

    Parameters
    ----------
    chain : Chain
    blocks : function
        Each call gives the sound from the start, in arrays of shape (frames, channels) of any lengths.
    rate : int
        Samples per second.
    channels : int
    watch : function, optional
        Called as watch(name, reduction_db) with each stretch of each dynamics stage's reduction, in order.

    Yields
    ------
    ndarray, shape (frames, channels)
        As long as the sound in total.

    Raises
    ------
    ValueError
        If a stage can't work on blocks, or not at this rate, or makes the sound too large for a clip.

    Notes
    -----
    Equal to ``chain.apply`` of the whole to 1e-9, however the sound is cut. The sound is read once, and once more for
    each stage that :func:`stages_that_ask` names. Memory depends on the number of channels and stages, not on the
    length.
    """
    powers: dict[str, float] = {}
    for name in stages_that_ask(chain, rate, channels):
        place = [other for other, _ in chain.stages].index(name)
        total, count = 0.0, 0
        for out in _run(ChainFlow(Chain(chain.stages[:place]), rate, channels, powers), blocks()):
            total, count = total + float(np.einsum("ij,ij->", out, out)), count + out.size
        powers[name] = total / max(count, 1)
    yield from _run(ChainFlow(chain, rate, channels, powers, watch), blocks())


def _run(flow: ChainFlow, blocks: Iterable[np.ndarray]) -> Iterator[np.ndarray]:
    waiting = None
    for block in blocks:
        if waiting is not None:
            yield from flow.push(waiting)
        waiting = block
    if waiting is not None:
        yield from flow.push(waiting, last=True)
