"""A settings sheet over a sound of any length: block by block, in little memory, with what the whole at once would
give.

Each kind of processor has a *flow* here, which takes blocks in and hands pieces out, as long in total, and remembers in
between what the processor needs to know of the past. A flow that needs the future (look-ahead, filters without delay)
holds sound back until it is there. How a whole chain is rendered to a file: ``09_your_own_vocal``.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator

import numpy as np
from scipy.signal import butter, sosfilt, sosfilt_zi

from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.character import FetCompressor, OptoCompressor, TubeCompressor, VcaCompressor
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.colour import BLOCK_FRAMES, DC_BLOCK_HZ, MARGIN_FRAMES, Colour, oversampled
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.memory import Memory
from vocomp_lab.processors.recursion import STRETCH_FRAMES
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_below_nyquist, shown
from vocomp_lab.sound.levels import db_to_amplitude, power_to_db

PIECE_FRAMES = 1 << 16
"""No flow is given, or hands out, more frames than this at a time."""
# A backward filter starts so far ahead that what it started from has faded to this share, under the last bit of a float
# (2^-53), so that the result is as a rule the same to the last bit.
_FADED = 1e-24
_MOST_AHEAD = 1 << 20

Piece = tuple[np.ndarray, np.ndarray | None]
"""Samples, shape (frames, channels), and the gain reduction on them in dB, shape (frames,), or None."""


class _Queue:
    """Arrays that are put in at one end and taken out at the other, in other lengths."""

    def __init__(self, width: int | None = None):
        self._empty = np.empty(0 if width is None else (0, width))
        self._parts: deque[np.ndarray] = deque()
        self._size = 0

    def __len__(self):
        return self._size

    def put(self, values: np.ndarray) -> None:
        if len(values):
            self._parts.append(values)
            self._size += len(values)

    def take(self, count: int) -> np.ndarray:
        """The next `count` values, or what there is of them."""
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
        """The next `count` values in the parts that they lie in; they stay."""
        parts = []
        for part in self._parts:
            if count > 0:
                parts.append(part[:count])
                count -= len(part)
        return parts


class _Flow:
    """Base of the flows: a processor at work on a sound that comes in blocks.

    `grain` is a number of frames: a recursion is solved for whole multiples of it, counted from the sound's start, so
    that :func:`vocomp_lab.processors.recursion.solve`, which takes long signals in stretches, takes them in the same ones as for
    the whole sound, and rounds alike. `input_power` is the mean square of all that will come in, for processors that
    ask for it.
    """

    asks_for_power = False

    def __init__(self, processor, rate: int, channels: int, grain: int = 1, input_power: float | None = None):
        self.processor, self.rate, self.channels = processor, rate, channels
        self.grain, self.input_power = grain, input_power
        self.memory = Memory()

    def push(self, block: np.ndarray, last: bool) -> Iterator[Piece]:
        """Take in samples, shape (frames, channels); nothing comes after the `last` ones."""
        raise NotImplementedError

    def ready(self, waiting: int, last: bool) -> int:
        """How many of the frames that wait can be solved."""
        return waiting if last else waiting // self.grain * self.grain


class _GainFlow(_Flow):
    def push(self, block, last):
        # The same product as Clip.gained.
        yield block * 10.0 ** (self.processor.gain_db / 20.0), None


class _ClipGainFlow(_Flow):
    frames = 0

    def push(self, block, last):
        times_s = (self.frames + np.arange(len(block))) / self.rate
        self.frames += len(block)
        yield block * self.processor._amplitude_at(times_s)[:, None], None


class _FilterFlow(_Flow):
    def __init__(self, *args):
        super().__init__(*args)
        self.sections = self.processor.sections(self.rate)

    def push(self, block, last):
        yield self.memory.sosfilt("filter", self.sections, block), None


class _CompressorFlow(_Flow):
    """What all compressors share: detector, smoother, and samples that wait for their reduction."""

    def __init__(self, *args):
        super().__init__(*args)
        lookahead_ms = getattr(self.processor, "lookahead_ms", 0.0)
        self.ahead = self.skip = int(round(lookahead_ms * self.rate / 1000.0))
        self.samples, self.levels_db = _Queue(self.channels), _Queue()
        # The first thing that is wrong with the settings at this rate is said before anything is read.
        self.detect_db(np.zeros((0, self.channels)))

    def push(self, block, last):
        self.samples.put(block)
        heard = np.concatenate([block, np.zeros((self.ahead, self.channels))]) if last and self.ahead else block
        if len(heard):
            self.levels_db.put(self.detect_db(heard))
        ready = self.ready(len(self.levels_db), last)
        skipped = min(self.skip, ready)
        self.skip -= skipped
        reduction_db = self.reduction_db(self.levels_db.take(ready))[skipped:]
        if last and len(reduction_db) == 0:
            yield from self.turn_down(np.zeros((0, self.channels)), reduction_db, True)
        for start in range(0, len(reduction_db), PIECE_FRAMES):
            stretch_db = reduction_db[start : start + PIECE_FRAMES]
            final = last and start + PIECE_FRAMES >= len(reduction_db)
            yield from self.turn_down(self.samples.take(len(stretch_db)), stretch_db, final)

    def detect_db(self, columns):
        return self.processor.detect_db(columns, self.rate, self.memory)

    def reduction_db(self, levels_db):
        return self.processor.reduction_db(levels_db, self.rate, memory=self.memory)

    def turn_down(self, columns, reduction_db, last):
        mix = self.processor.mix
        wet = columns * db_to_amplitude(self.processor.makeup_db - reduction_db)[:, None]
        if mix < 1.0:
            wet = mix * wet + (1.0 - mix) * columns if mix > 0 else columns
        yield wet, reduction_db


class _CharacterFlow(_CompressorFlow):
    """A detector type: its colour may hold the sound back, and with it the dry share and the reduction."""

    def __init__(self, *args):
        super().__init__(*args)
        colour = self.processor._colour() if self.processor.mix > 0 else None
        self.colour = None if colour is None else _ColourFlow(colour, self.rate, self.channels)
        self.dry, self.done_db = _Queue(self.channels), _Queue()

    def turn_down(self, columns, reduction_db, last):
        mix = self.processor.mix
        if mix == 0:
            yield columns, reduction_db
            return
        wet = columns * db_to_amplitude(-reduction_db)[:, None]
        self.done_db.put(reduction_db)
        if mix < 1.0:
            self.dry.put(columns)
        for coloured, _ in [(wet, None)] if self.colour is None else self.colour.push(wet, last):
            coloured = coloured * 10.0 ** (self.processor.makeup_db / 20.0)
            if mix < 1.0:
                coloured = mix * coloured + (1.0 - mix) * self.dry.take(len(coloured))
            yield coloured, self.done_db.take(len(coloured))


class _ColourFlow(_Flow):
    """Works on whole steps of the curve's own blocks, counted from the start, so that single precision rounds alike."""

    step = BLOCK_FRAMES - 2 * MARGIN_FRAMES

    def __init__(self, *args):
        super().__init__(*args)
        # What is held begins one step before the sound that comes out next: the filters reach back into it.
        self.held, self.lead = np.zeros((0, self.channels)), 0

    def push(self, block, last):
        self.held = np.concatenate([self.held, block])
        steps = max(len(self.held) - self.lead - MARGIN_FRAMES, 0) // self.step
        end = len(self.held) if last else self.lead + steps * self.step
        if end <= self.lead:
            return
        window = self.held if last else self.held[: end + MARGIN_FRAMES]
        added = [oversampled(lambda x: self.processor.curve(x) - x, channel)[self.lead : end] for channel in window.T]
        added = np.stack(added, axis=1)
        if self.processor.asymmetry > 0:
            a = math.exp(-2.0 * math.pi * DC_BLOCK_HZ / self.rate)
            added = self.memory.lfilter("capacitor", [(1 + a) / 2, -(1 + a) / 2], [1.0, -a], added)
        yield self.held[self.lead : end] + added, None
        self.held, self.lead = self.held[end - self.step if not last else end :], self.step


class _BothWays:
    """A filter run forwards and then backwards over a sound in blocks, as :func:`scipy.signal.sosfiltfilt` does it.

    The forward run carries its state on; the backward run starts so far ahead of what it hands out that its start has
    faded. Beyond both ends the sound is continued by its mirror image.
    """

    def __init__(self, sections: np.ndarray, channels: int):
        self.sections, self.rest = sections, sosfilt_zi(sections)[:, :, None]
        radius = max(np.abs(np.roots(section[3:])).max(initial=0.0) for section in sections)
        self.ahead = math.inf if radius >= 1.0 else math.ceil(math.log(_FADED) / math.log(radius)) if radius > 0 else 1
        self.most = 3 * (2 * len(sections) + 1)  # SciPy's default length of a mirror image
        self.edge = None
        self.start, self.tail = _Queue(channels), np.zeros((0, channels))
        self.forward, self.state = np.zeros((0, channels)), None

    def push(self, block: np.ndarray, last: bool) -> np.ndarray:
        """What is ready of the filtered sound, shape (frames, channels)."""
        if self.edge is None:
            self.start.put(block)
            if len(self.start) <= self.most and not last:
                return block[:0]
            block = self.start.take(len(self.start))
            self.edge = min(len(block) - 1, self.most)
            mirror = 2 * block[0] - block[self.edge : 0 : -1]
            self.state = self.rest * np.concatenate([mirror, block])[:1]
            if self.edge:
                _, self.state = sosfilt(self.sections, mirror, axis=0, zi=self.state)
        self.tail = np.concatenate([self.tail, block])[-(self.edge + 1) :]
        self._run_forward(block)
        if last:
            frames = len(self.forward)
            self._run_forward(2 * self.tail[-1] - self.tail[-2::-1][: self.edge])
            return self._run_backward()[:frames]
        ready = len(self.forward) - self.ahead
        # Shorter pieces would have the backward run spend most of its time on its approach.
        if ready < self.ahead:
            return block[:0]
        out = self._run_backward()[:ready]
        self.forward = self.forward[ready:]
        return out

    def _run_forward(self, block):
        if len(block):
            filtered, self.state = sosfilt(self.sections, block, axis=0, zi=self.state)
            self.forward = np.concatenate([self.forward, filtered])

    def _run_backward(self):
        backwards = self.forward[::-1]
        return sosfilt(self.sections, backwards, axis=0, zi=self.rest * backwards[:1])[0][::-1]


class _DeEsserFlow(_Flow):
    def __init__(self, *args):
        super().__init__(*args)
        check_below_nyquist("freq_hz", self.processor.freq_hz, self.rate)
        self.split = _BothWays(butter(2, self.processor.freq_hz, "highpass", fs=self.rate, output="sos"), self.channels)
        if self.split.ahead > _MOST_AHEAD:
            raise ValueError(
                f"freq_hz: {self.processor.freq_hz:g} Hz is not allowed at a rate of {self.rate} Hz in blocks, so near to half "
                "of the rate; give a lower frequency."
            )
        self.samples, self.pairs = _Queue(self.channels), _Queue(2 * self.channels)

    @property
    def asks_for_power(self):
        return self.processor.reference == "voice"

    def push(self, block, last):
        self.samples.put(block)
        high = self.split.push(block, last)
        self.pairs.put(np.concatenate([self.samples.take(len(high)), high], axis=1))
        ready = self.ready(len(self.pairs), last)
        if ready == 0:
            return
        reduction_db = self.reduction_db(self.pairs.look(ready))
        for start in range(0, ready, PIECE_FRAMES):
            # Taken piece by piece, so that what waits here makes room for what waits behind.
            stretch_db = reduction_db[start : start + PIECE_FRAMES]
            columns, high = np.split(self.pairs.take(len(stretch_db)), 2, axis=1)
            turned_down = high if self.processor.mode == "split-band" else columns
            yield columns - (1.0 - db_to_amplitude(-stretch_db))[:, None] * turned_down, stretch_db

    def reduction_db(self, parts):
        """The reduction that parts of the waiting pairs of sound and band lead to, all together."""
        band = np.concatenate([np.mean(np.square(pair[:, self.channels :]), axis=1) for pair in parts])
        whole = np.concatenate([np.mean(np.square(pair[:, : self.channels]), axis=1) for pair in parts])
        usual_dbfs = -math.inf if self.input_power is None else power_to_db(self.input_power)
        hiss_db = self.processor.hiss_db(band, whole, self.rate, usual_dbfs, self.memory)
        return self.processor.reduction_db(hiss_db, self.rate, self.memory)


FLOWS = {
    ClipGain: _ClipGainFlow,
    Gain: _GainFlow,
    HighPass: _FilterFlow,
    Peaking: _FilterFlow,
    LowShelf: _FilterFlow,
    HighShelf: _FilterFlow,
    Compressor: _CompressorFlow,
    DeEsser: _DeEsserFlow,
    Colour: _ColourFlow,
    VcaCompressor: _CharacterFlow,
    FetCompressor: _CharacterFlow,
    OptoCompressor: _CharacterFlow,
    TubeCompressor: _CharacterFlow,
}
"""How each kind of processor works on blocks; a new kind in a settings sheet needs its flow here."""


class ChainFlow:
    """A chain at work on a sound that comes in blocks.

    Parameters
    ----------
    chain : Chain
    rate, channels : int
    powers : dict of float
        Mean square of what goes into the stages that ask for it (:func:`stages_that_ask`), by their names.
    watch : function, optional
        Called as watch(name, reduction_db) with every stretch of every dynamics stage's reduction, in order.

    Raises
    ------
    ValueError
        If a stage can't work on blocks, or not at this rate.
    """

    def __init__(self, chain: Chain, rate: int, channels: int, powers: dict[str, float] | None = None, watch=None):
        self.watch = watch
        self.flows, grain = [], 1
        # A curve in single precision makes much of a little: behind a smoother it needs its input to the last bit.
        for name, processor in reversed(chain.stages):
            kind = FLOWS.get(type(processor))
            if kind is None:
                raise ValueError(
                    f"stages: {shown(name)} is a {type(processor).__name__}, which can't work on blocks; "
                    f"known are {', '.join(known.__name__ for known in FLOWS)}."
                )
            if _is_coloured(processor):
                grain = STRETCH_FRAMES
            try:
                flow = kind(processor, rate, channels, grain, (powers or {}).get(name))
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
            Nothing comes after this block: what is still held back is handed out.

        Raises
        ------
        ValueError
            If a stage makes the sound too large for a number.
        """
        return self._through(0, block, last)

    def _through(self, place, block, last):
        if place == len(self.flows):
            if len(block):
                yield block
            return
        name, flow = self.flows[place]
        for start in range(0, max(len(block), 1), PIECE_FRAMES):
            # Every piece goes through all stages before the next one is made, so that no stage gets much at a time.
            part, final = block[start : start + PIECE_FRAMES], last and start + PIECE_FRAMES >= len(block)
            for out, reduction_db in flow.push(part, final):
                if reduction_db is not None and self.watch is not None and len(out):
                    self.watch(name, reduction_db)
                if not np.isfinite(out).all():
                    raise ValueError(f"stages: {shown(name)} made samples too large for a number; turn it down before.")
                if len(out):
                    yield from self._through(place + 1, out, False)
            if final:
                yield from self._through(place + 1, block[:0], True)


def _is_coloured(processor) -> bool:
    return isinstance(processor, Colour) or getattr(processor, "_colour", lambda: None)() is not None


def stages_that_ask(chain: Chain, rate: int, channels: int) -> list[str]:
    """The stages that must know the power of all that goes into them before they begin, in order.

    Each costs one more reading of the sound.
    """
    return [name for name, flow in ChainFlow(chain, rate, channels).flows if flow.asks_for_power]


def total_reduction_db(chain: Chain, clip: Clip) -> np.ndarray:
    """The reductions of a chain's stages, added up, without keeping what each stage made of the clip.

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
        Each call gives the sound anew, in arrays of shape (frames, channels) and of any lengths.
    rate : int
        Samples per second.
    channels : int
    watch : function, optional
        Called as watch(name, reduction_db) with every stretch of every dynamics stage's reduction, in order.

    Yields
    ------
    ndarray, shape (frames, channels)
        In total as long as the sound.

    Raises
    ------
    ValueError
        If a stage can't work on blocks, or not at this rate, or makes the sound too large for a number.

    Notes
    -----
    Equal to ``chain.apply`` of the whole to 1e-9, however the sound is cut. The sound is read once, and once more for
    every stage that :func:`stages_that_ask` names. Memory hangs on the number of channels and stages, not on the
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
