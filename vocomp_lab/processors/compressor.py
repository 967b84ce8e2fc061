"""The compressor: gain computer, detector, ballistics, and the two topologies.

The signal path, after Giannoulis, Massberg & Reiss, "Digital Dynamic Range Compressor Design: A Tutorial and Analysis",
J. Audio Eng. Soc. 60(6), 2012: level in dB → static curve → smoothing of the reduction in dB → gain. One reduction
serves all channels, so the stereo image stays still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import butter

from vocomp_lab.processors.flow import Flow, Piece, Processor, Queue, in_shape_of
from vocomp_lab.processors.memory import Memory
from vocomp_lab.processors.recursion import coefficient, smooth_feedback, static_reduction
from vocomp_lab.sound.audio import A_CLIP, A_RATE, Clip, largest_magnitudes
from vocomp_lab.sound.checks import Numbers, Of, OrNone, Range, Words, asks, check_below_nyquist, shown
from vocomp_lab.sound.levels import amplitude_to_db, db_to_amplitude, power_to_db

# Digital silence counts as this level, so that decibels stay finite. It lies below every legal threshold.
FLOOR_DB = -200.0

DETECTORS = ("peak", "rms")
TOPOLOGIES = ("feedforward", "feedback")
BALLISTICS = ("branching", "decoupled")

LEVEL_DB = Numbers(-math.inf, 1_000, "dB")
DYNAMICS_RULES = {
    "threshold_db": Range(-120, 24, "dB"),
    "ratio": Range(1, math.inf),
    "attack_ms": Range(0, 5_000, "ms", low_open=True),
    "release_ms": Range(0, 20_000, "ms", low_open=True),
    "knee_db": Range(0, 48, "dB"),
    "makeup_db": Range(-48, 48, "dB"),
    "mix": Range(0, 1),
}
"""The legal ranges of the settings that dynamics processors share."""


@dataclass(frozen=True, eq=False)
class Compressed:
    """What a dynamics processor did to a clip.

    Attributes
    ----------
    output : Clip
        The processed clip, as long as the source.
    reduction_db : ndarray, shape (frames,)
        Gain reduction of the wet path, ≥ 0, aligned with the output.
    detector_db : ndarray, shape (frames,)
        The level that the gain computer saw, in dB, aligned with the output.
    source : Clip
        The clip that went in.
    makeup_db : float
        Gain of the compressed path after the reduction.
    mix : float
        Share of the compressed path in the output.
    """

    output: Clip
    reduction_db: np.ndarray = field(repr=False)
    detector_db: np.ndarray = field(repr=False)
    source: Clip = field(repr=False)
    makeup_db: float = 0.0
    mix: float = 1.0

    def __post_init__(self):
        for name in ("reduction_db", "detector_db"):
            curve = getattr(self, name)
            if not isinstance(curve, np.ndarray):
                raise ValueError(f"{name}: {shown(curve)} is not allowed; give an array, one number for each frame.")
            curve.flags.writeable = False

    @property
    def removed_shares(self) -> tuple[float, float]:
        """Two factors that give what was removed: removed = first · source − second · output.

        With g the gain of the reduction and M that of the make-up, the output is mix·g·M·source + (1 − mix)·source, and
        removed is mix·(1 − g)·source: without the make-up, which took nothing away.
        """
        undo = db_to_amplitude(-self.makeup_db)
        return self.mix + (1.0 - self.mix) * undo, undo

    @property
    def removed(self) -> Clip:
        """What the processor took away from the source, ignoring make-up gain."""
        of_source, of_output = self.removed_shares
        return self.source.with_samples(of_source * self.source.samples - of_output * self.output.samples)


class Dynamics(Processor):
    """What all processors that turn gain down by a static curve share. Their fields hold its threshold and ratio."""

    threshold_db: float
    ratio: float
    knee_db: float
    makeup_db: float = 0.0
    mix: float = 1.0

    @asks(clip=A_CLIP)
    def apply(self, clip: Clip) -> Compressed:
        """The processed clip, with the reduction and the level that led to it.

        Parameters
        ----------
        clip : Clip

        Returns
        -------
        Compressed

        Raises
        ------
        ValueError
            If the settings can't work at the clip's rate: a frequency at or over half of it.
        """
        samples, reduction_db, detector_db = self.flow(clip.rate, clip.channels).whole(clip.columns)
        return Compressed(in_shape_of(clip, samples), reduction_db, detector_db, clip, self.makeup_db, self.mix)

    @asks(rate=A_RATE)
    def lookahead_frames(self, rate: int) -> int:
        """How far ahead of the sound the detector hears, in frames."""
        return int(round(getattr(self, "lookahead_ms", 0.0) * rate / 1000.0))

    @asks(clip=A_CLIP)
    def detector_db(self, clip: Clip) -> np.ndarray:
        """The level that the gain computer goes by, whatever the threshold: dB, shape (frames + look-ahead frames,).

        The reduction that it leads to (`reduction_db`) belongs to the clip from frame `lookahead_frames` on.
        """
        silence = np.zeros((self.lookahead_frames(clip.rate), clip.channels))
        return self.detect_db(np.concatenate([clip.columns, silence]), clip.rate)

    @property
    def slope(self) -> float:
        """Decibels of reduction per decibel over the threshold, once the full ratio is reached: 1 − 1/ratio."""
        return 1.0 - 1.0 / self.ratio

    def target_reduction_db(self, level_db):
        """The static curve's reduction at a level, before smoothing: dB, ≥ 0, in the shape of the level."""
        return static_reduction(level_db, self.threshold_db, self.slope, self.knee_db)

    @asks(level_db=LEVEL_DB)
    def static_curve(self, level_db):
        """The settled output level for a level that holds, before make-up gain and colour.

        Parameters
        ----------
        level_db : float or array_like
            What the detector reads, in dB, on the threshold's scale; −inf is legal.

        Returns
        -------
        float or ndarray of the same shape

        Notes
        -----
        Giannoulis, Massberg & Reiss (2012), eq. 4. A peak detector's reading of a wave falls at every crossing of zero,
        so a tone settles at a higher output than its peak level would: see :class:`Compressor`.
        """
        level_db = np.asarray(level_db, dtype=float)
        out = level_db - self.target_reduction_db(level_db)
        return float(out) if out.ndim == 0 else out


A_COMPRESSOR = Of(Dynamics, "a compressor, such as Compressor(-18, 3, 5, 80)")
"""The rule that something is a processor with a threshold."""


class CompressorFlow(Flow):
    """What all compressors share: detector, smoother, and samples that wait for their reduction."""

    def __init__(self, processor, rate, channels):
        super().__init__(processor, rate, channels)
        # With look-ahead the detector hears more frames than the sound has, and its first answers come before it.
        self.ahead = self.skip = processor.lookahead_frames(rate)
        self.samples, self.levels_db = Queue(channels), Queue()
        # Settings that don't fit this rate are refused before any sound is read.
        self.detect_db(np.zeros((0, channels)))

    def push(self, block, last):
        self.samples.put(block)
        heard = np.concatenate([block, np.zeros((self.ahead, self.channels))]) if last and self.ahead else block
        if len(heard):
            self.levels_db.put(self.detect_db(heard))
        levels_db = self.levels_db.take(self.ready(len(self.levels_db), last))
        skipped = min(self.skip, len(levels_db))
        self.skip -= skipped
        reduction_db = self.processor.reduction_db(levels_db, self.rate, memory=self.memory)[skipped:]
        levels_db = levels_db[skipped:]
        if last and len(reduction_db) == 0:
            yield from self.turn_down(Piece(np.zeros((0, self.channels)), reduction_db, levels_db), True)
        for part in self.pieces(len(reduction_db)):
            piece = Piece(self.samples.take(part.stop - part.start), reduction_db[part], levels_db[part])
            yield from self.turn_down(piece, last and part.stop == len(reduction_db))

    def detect_db(self, columns):
        return self.processor.detect_db(columns, self.rate, self.memory)

    def turn_down(self, piece, last):
        """The piece with its reduction on the samples."""
        dry, mix = piece.samples, self.processor.mix
        if mix > 0:
            wet = dry * db_to_amplitude(self.processor.makeup_db - piece.reduction_db)[:, None]
            piece = piece._replace(samples=mix * wet + (1.0 - mix) * dry if mix < 1.0 else wet)
        yield piece


@dataclass(frozen=True)
class Compressor(Dynamics):
    """A dynamic-range compressor.

    Parameters
    ----------
    threshold_db : float
        Level above which gain is reduced, dBFS, −120 to 24.
    ratio : float
        Decibels in per decibel out, above the threshold; 1 to infinity (``math.inf``: a limiter's curve).
    attack_ms : float
        Time constant while the target reduction is above the present one, above 0 to 5,000. It is the time to cover
        63.2 % of a step; other definitions differ: see the notes.
    release_ms : float
        Time constant while it isn't, above 0 to 20,000.
    knee_db : float
        Width of the soft knee, centred on the threshold; 0 is a hard knee. 0 to 48.
    makeup_db : float
        Gain of the compressed path after the reduction, −48 to 48.
    detector : {"peak", "rms"}
        What counts as the level: each sample's magnitude, or the root of a running mean square.
    rms_ms : float
        Time constant of that mean, above 0 to 1,000; unused by "peak".
    topology : {"feedforward", "feedback"}
        Whether the detector listens to the input or to the output. Feedback corrects its own error, so it settles
        about `ratio` times faster than its times say. At an infinite ratio its attack takes no time.
    lookahead_ms : float
        How far ahead of the sound the detector listens, 0 to 100. The output is not delayed: the whole clip is known.
        A live device has to delay the sound instead.
    mix : float
        Share of the compressed path: 1 is all compressed, 0 is the input, bit for bit. The two paths are aligned in
        time.
    sidechain_highpass_hz : float, optional
        Corner of a second-order Butterworth high-pass that only the detector hears, 10 Hz up. None leaves it out.
    ballistics : {"branching", "decoupled"}
        How attack and release combine: one smoother that switches between them, or a release stage followed by an
        attack stage. "decoupled" needs the feed-forward topology.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.

    Notes
    -----
    Giannoulis, Massberg & Reiss (2012): static curve eq. 4, log-domain smoothing section 2.2 and eq. 16 and 17. Several
    channels are linked by their loudest (peak) or their mean square (RMS). Times in the trade: a step of the target
    reduction is 63.2 % covered after one time constant τ, and 90 % after 2.303 τ. Some makers state 90 % times, some
    the time for 10 dB, so equal figures need not sound equal.

    A tone is no such step. Twice in each of its cycles the peak detector reads nothing, the target falls to 0 and the
    reduction lets go a little. So a tone settles below the static curve of its peak, the further the slower the attack
    is compared with the release: at −6 dBFS over −18 dBFS and 3:1 at 6.9 dB in place of 8.0 (10/80 ms). The RMS
    detector settles close to the static curve of the RMS level, for a sine 3 dB lower.

    Examples
    --------
    >>> import numpy as np
    >>> from vocomp_lab import Clip, Compressor
    >>> tone = Clip(0.5 * np.sin(2 * np.pi * 1000 * np.arange(48000) / 48000), 48000)
    >>> result = Compressor(threshold_db=-18, ratio=3, attack_ms=1, release_ms=2000).apply(tone)
    >>> bool(result.reduction_db.max() > 7.5)
    True
    """

    threshold_db: float
    ratio: float
    attack_ms: float
    release_ms: float
    knee_db: float = 0.0
    makeup_db: float = 0.0
    detector: str = "peak"
    rms_ms: float = 10.0
    topology: str = "feedforward"
    lookahead_ms: float = 0.0
    mix: float = 1.0
    sidechain_highpass_hz: float | None = None
    ballistics: str = "branching"

    FLOW = CompressorFlow
    RULES = {
        **DYNAMICS_RULES,
        "detector": Words(DETECTORS),
        "rms_ms": Range(0, 1_000, "ms", low_open=True),
        "topology": Words(TOPOLOGIES),
        "lookahead_ms": Range(0, 100, "ms"),
        "sidechain_highpass_hz": OrNone(Range(10, 96_000, "Hz")),
        "ballistics": Words(BALLISTICS),
    }

    def __post_init__(self):
        super().__post_init__()
        if self.ballistics == "decoupled" and self.topology == "feedback":
            raise ValueError("ballistics: 'decoupled' is not allowed with topology 'feedback'; give 'branching' there.")

    def detect_db(self, columns: np.ndarray, rate: int, memory: Memory | None = None) -> np.ndarray:
        """The level that the gain computer sees.

        Parameters
        ----------
        columns : ndarray, shape (frames, channels)
        rate : int
        memory : Memory, optional
            For a long file, block by block: what the block before left. Without it, everything starts at rest.

        Returns
        -------
        ndarray, shape (frames,)
            dBFS, never under −200.
        """
        memory = Memory() if memory is None else memory
        if self.sidechain_highpass_hz is not None:
            check_below_nyquist("sidechain_highpass_hz", self.sidechain_highpass_hz, rate)
            sos = butter(2, self.sidechain_highpass_hz, "highpass", fs=rate, output="sos")
            columns = memory.sosfilt("side-chain", sos, columns)
        if self.detector == "rms":
            mean_square = memory.one_pole("rms", coefficient(self.rms_ms, rate), np.mean(columns * columns, axis=1))
            return power_to_db(mean_square, FLOOR_DB)
        loudest = columns[:, 0] if columns.shape[1] == 1 else largest_magnitudes(columns)
        return amplitude_to_db(loudest, FLOOR_DB)

    def reduction_db(
        self, detector_db: np.ndarray, rate: int, state: float = 0.0, memory: Memory | None = None
    ) -> np.ndarray:
        """The smoothed gain reduction that a detector level leads to.

        Parameters
        ----------
        detector_db : ndarray, shape (frames,)
            From :meth:`detect_db`.
        rate : int
        state : float
            The reduction before the first frame.
        memory : Memory, optional
            For a long file, block by block: what the block before left. `state` then only counts for the first block.

        Returns
        -------
        ndarray, shape (frames,)
            dB, ≥ 0.
        """
        memory = Memory() if memory is None else memory
        attack, release = coefficient(self.attack_ms, rate), coefficient(self.release_ms, rate)
        if self.topology == "feedback":
            curve = self.threshold_db, self.slope, self.knee_db
            reduction = memory.solved(
                "reduction",
                detector_db,
                lambda last: smooth_feedback(detector_db, attack, release, *curve, last),
                state,
            )
        else:
            smooth = memory.decoupled if self.ballistics == "decoupled" else memory.branching
            reduction = smooth("reduction", self.target_reduction_db(detector_db), attack, release, state)
        # The solver's rounding may leave −1e-16 where 0 is meant.
        return np.maximum(reduction, 0.0)
