"""A compressor and a reverb: what the order of the two does to the reverb."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.analysis.lowend import running_level_db
from vocomp_lab.analysis.meters import active_mask, active_rms_dbfs
from vocomp_lab.analysis.reverb import reverb
from vocomp_lab.processors.compressor import A_COMPRESSOR
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_number
from vocomp_lab.sound.levels import db_to_amplitude, power_to_db

WINDOW_MS = 400.0
"""Over so long the reverb's level is taken: about a word."""
_LOW, _HIGH = 10, 90


@dataclass(frozen=True)
class Send:
    """A vocal with a reverb, and what the reverb does. Made by :func:`compare_sends`.

    Attributes
    ----------
    vocal, reverb : Clip
        As they lie in the mix.
    spread_db : float
        How far the reverb's level goes up and down while somebody sings: the range that it stays within for four fifths
        of the time (10th to 90th percentile of its RMS over 400 ms).
    in_pauses_db : float
        Level of the reverb in the pauses after the first word, relative to the vocal while it is sung (RMS). NaN where
        there is no pause.
    """

    vocal: Clip = field(repr=False)
    reverb: Clip = field(repr=False)
    spread_db: float
    in_pauses_db: float

    @property
    def output(self) -> Clip:
        """The sum."""
        return self.vocal.with_samples(self.vocal.samples + self.reverb.samples)


@asks(voice=A_CLIP, compressor=A_COMPRESSOR)
def compare_sends(voice: Clip, compressor, decay_s: float = 1.5, under_db: float = 12.0) -> dict[str, Send]:
    """The same compressor and the same reverb in three orders, and the reverb alone.

    Parameters
    ----------
    voice : Clip
        Without reverb.
    compressor : processor with a gain reduction
        Its colour, if it has any, is left out where it works on the vocal and the reverb together.
    decay_s : float
        Reverberation time, 0.1 to 10 s (:func:`vocomp_lab.analysis.reverb.reverb`).
    under_db : float
        How far below the vocal the reverb lies in each of them while somebody sings, 0 to 60 dB: so only its course
        differs.

    Returns
    -------
    dict of Send
        "no compressor"; "compressor, then send": the reverb gets the compressed vocal; "send, then compressor": it gets
        the vocal from before the compressor; "compressor over both": one gain for vocal and reverb. NaN in the pauses where
        there is none.

    Raises
    ------
    ValueError
        If a setting is out of its range, or nobody sings.

    Notes
    -----
    The measures are common practice, no source.
    """
    under_db = check_number("under_db", under_db, 0, 60, "dB")
    active = active_mask(voice)
    if not active.any():
        raise ValueError("voice: nobody seems to sing here; give a recording of a voice.")

    def laid(vocal, wet):
        """The reverb as far under the vocal as was asked for."""
        return wet.gained(active_rms_dbfs(vocal, active) - under_db - active_rms_dbfs(wet, active))

    squeezed = compressor.apply(voice).output
    room = laid(voice, reverb(voice, decay_s))
    work = compressor.apply(voice.with_samples(voice.samples + room.samples))
    gain = work.mix * db_to_amplitude(work.makeup_db - work.reduction_db) + 1.0 - work.mix
    both = [one.with_samples((one.columns * gain[:, None]).reshape(one.samples.shape)) for one in (voice, room)]
    pairs = {
        "no compressor": (voice, room),
        "compressor, then send": (squeezed, laid(squeezed, reverb(squeezed, decay_s))),
        "send, then compressor": (squeezed, laid(squeezed, room)),
        "compressor over both": (both[0], laid(*both)),
    }
    return {name: _measured(*pair, active) for name, pair in pairs.items()}


def _measured(vocal, wet, active) -> Send:
    low, high = np.percentile(running_level_db(wet, WINDOW_MS)[active], [_LOW, _HIGH])
    pauses = ~active
    pauses[: np.flatnonzero(active)[0]] = False
    in_pauses_db = math.nan
    if pauses.any():
        in_pauses_db = power_to_db(float(np.mean(wet.columns[pauses] ** 2))) - active_rms_dbfs(vocal, active)
    return Send(vocal, wet, float(high - low), in_pauses_db)
