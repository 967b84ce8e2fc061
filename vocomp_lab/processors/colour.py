"""Colour: what a circuit adds to a sound by bending its wave, as a curve without memory.

A curve makes harmonics. Those beyond half the sample rate would fold back as tones that fit no harmony (aliasing). So
the curve works at four times the rate, between two steep linear-phase filters.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft
from scipy.signal import firwin

from vocomp_lab.processors.flow import Flow, Piece, Processor
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Range, asks
from vocomp_lab.sound.levels import db_to_amplitude

OVERSAMPLING = 4
"""Factor between the clip's rate and the rate at which the curve works."""
# For 100 dB between 0.83 and 1 of half the clip's rate, Kaiser's formula gives about 300 taps at four times the rate.
_TAPS, _KAISER_BETA = 321, 10.06
_CUTOFF = 0.915
# Frames in a block's transform, and how many the two filters spoil at either end (half their length each). Several
# blocks at once are faster than one by one, as long as everything stays in the processor's cache.
_BLOCK_FRAMES, _BLOCKS_AT_ONCE = 2_048, 8
_MARGIN_FRAMES = 2 * (_TAPS // 2) // OVERSAMPLING
_STEP_FRAMES = _BLOCK_FRAMES - 2 * _MARGIN_FRAMES
_DC_BLOCK_HZ = 5.0

DRIVE_DB = Range(-60, 24, "dB")


class ColourFlow(Flow):
    """Works on whole steps of the curve's own blocks, counted from the start, so single precision always rounds
    alike."""

    needs_every_bit = True

    def __init__(self, processor, rate, channels):
        super().__init__(processor, rate, channels)
        # From the second block on, what is held begins one step before the sound that comes out next: the filters reach
        # back into it.
        self.held, self.lead = np.zeros((0, channels)), 0

    def push(self, block, last):
        self.held = np.concatenate([self.held, block]) if len(self.held) else block
        steps = max(len(self.held) - self.lead - _MARGIN_FRAMES, 0) // _STEP_FRAMES
        end = len(self.held) if last else self.lead + steps * _STEP_FRAMES
        if end <= self.lead:
            return
        window = self.held if last else self.held[: end + _MARGIN_FRAMES]
        added = np.array([_oversampled(self.processor._added, channel)[self.lead : end] for channel in window.T]).T
        if self.processor.asymmetry > 0:
            a = math.exp(-2.0 * math.pi * _DC_BLOCK_HZ / self.rate)
            added = self.memory.lfilter("capacitor", [(1 + a) / 2, -(1 + a) / 2], [1.0, -a], added)
        yield Piece(self.held[self.lead : end] + added)
        self.held, self.lead = self.held[end if last else end - _STEP_FRAMES :], _STEP_FRAMES


@dataclass(frozen=True)
class Colour(Processor):
    """Saturation: a soft curve that adds harmonics, more of them the louder the sound.

    Parameters
    ----------
    drive_db : float
        How far the sound is pushed into the curve, −60 to 24 dB. At 0 dB it bends noticeably at full scale.
    asymmetry : float
        0 to 0.9: how far from its middle the curve is used. At 0 both halves of the wave are bent alike, which gives
        only odd harmonics. At 1/√3 the curve has no cubic part, so the second harmonic leads.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.

    Notes
    -----
    With the drive d as a factor and the asymmetry t, the curve is f(x) = tanh(d·x) / (d·(1 + t·tanh(d·x))). That is
    the hyperbolic tangent around the point artanh t, moved and scaled to go through 0 with a slope of 1: soft sounds
    keep their level. Its series, x − t·d·x² − (1 − 3t²)·d²·x³/3 + …, gives a small sine of peak A a
    second harmonic of t·d·A/2 and a third of |1 − 3t²|·d²·A²/12, relative to the fundamental: 6 dB more drive raises
    the second by 6 dB and the third by 12.

    Only what the curve *adds*, f(x) − x, passes the filters, so the sound itself is untouched up to half the rate,
    and nothing is delayed. It is computed in single precision, with rounding 140 dB below the sound. The filters pass
    what lies below 0.83 of half the rate. An asymmetric curve shifts the zero line; a first-order high-pass at 5 Hz
    takes that out, as a coupling capacitor does. Curve and capacitor: common practice, no source.

    Examples
    --------
    >>> from vocomp_lab.sound.audio import Clip
    >>> Colour(drive_db=6).apply(Clip([0.0, 0.0], 48_000)).samples.tolist()
    [0.0, 0.0]
    """

    drive_db: float = 0.0
    asymmetry: float = 0.0

    FLOW = ColourFlow
    RULES = {"drive_db": DRIVE_DB, "asymmetry": Range(0, 0.9)}

    def curve(self, x) -> np.ndarray:
        """The curve itself, without oversampling: output samples of input samples, any shape."""
        drive = db_to_amplitude(self.drive_db)
        bent = np.multiply(x, drive)
        np.tanh(bent, out=bent)
        below = bent * (drive * self.asymmetry)
        below += drive
        bent /= below
        return bent

    @asks(clip=A_CLIP)
    def apply_bare(self, clip: Clip) -> Clip:
        """The curve at the clip's own rate, without the protection from aliasing: to see what that is for."""
        return clip.with_samples(self.curve(clip.samples))

    def _added(self, x):
        bent = self.curve(x)
        bent -= x
        return bent


@functools.lru_cache(maxsize=1)
def lowpass_taps() -> np.ndarray:
    """Taps of the filter on either side of the curve, at four times the clip's rate; symmetric, shape (321,)."""
    taps = firwin(_TAPS, _CUTOFF / OVERSAMPLING, window=("kaiser", _KAISER_BETA))
    taps.flags.writeable = False
    return taps


@functools.lru_cache(maxsize=1)
def _lowpass() -> np.ndarray:
    """Response of the filter on either side of the curve, up to half the clip's rate, with its delay removed."""
    taps = lowpass_taps()
    centred = np.zeros(OVERSAMPLING * _BLOCK_FRAMES)
    centred[: _TAPS // 2 + 1] = taps[_TAPS // 2 :]
    centred[-(_TAPS // 2) :] = taps[: _TAPS // 2]
    response = fft.rfft(centred).real[: _BLOCK_FRAMES // 2 + 1].astype(np.float32)
    response.flags.writeable = False
    return response


def _oversampled(curve, channel: np.ndarray) -> np.ndarray:
    """`curve` of one channel, shape (frames,), computed at four times its rate, with silence before and after it.

    Block by block (overlap–save), so memory doesn't grow. The filters' stopband, 100 dB down, is left out.
    """
    frames, step, lowpass = len(channel), _STEP_FRAMES, _lowpass()
    count = -(-frames // step)
    padded = np.zeros(count * step + 2 * _MARGIN_FRAMES, np.float32)
    padded[_MARGIN_FRAMES : _MARGIN_FRAMES + frames] = channel
    blocks = sliding_window_view(padded, _BLOCK_FRAMES)[::step]
    out = np.empty((count, step))
    for start in range(0, count, _BLOCKS_AT_ONCE):
        lines = fft.rfft(blocks[start : start + _BLOCKS_AT_ONCE])
        lines *= lowpass * OVERSAMPLING
        bent = curve(fft.irfft(lines, OVERSAMPLING * _BLOCK_FRAMES, overwrite_x=True))
        lines = fft.rfft(bent, overwrite_x=True)[:, : _BLOCK_FRAMES // 2 + 1] * (lowpass / OVERSAMPLING)
        out[start : start + _BLOCKS_AT_ONCE] = fft.irfft(lines, _BLOCK_FRAMES, overwrite_x=True)[
            :, _MARGIN_FRAMES : _MARGIN_FRAMES + step
        ]
    return out.reshape(-1)[:frames]
