"""A bench for learning vocal compression: compressors, meters, pictures and sound, for the notebooks beside it.

The tools that every lesson uses are here by name; what else a lesson needs comes from the faces ``vocomp_lab.analysis``,
``vocomp_lab.lessons``, ``vocomp_lab.pictures``, ``vocomp_lab.exercises`` and ``vocomp_lab.bench``.
"""

import sys

# The version is that of requires-python in pyproject.toml. An older Python must be able to read this file.
if sys.version_info < (3, 11):
    _told = (
        "Python %d.%d.%d is too old for this workbook, which needs Python 3.11 or newer: install one, and make the "
        "environment (.venv) anew with it." % sys.version_info[:3]
    )
    if sys.argv[:1] == ["-m"]:  # python -m vocomp_lab
        sys.stderr.write(_told + "\n")
        sys.exit(2)
    _error = ImportError(_told)
    _error._render_traceback_ = lambda: [_told]  # in a notebook, the sentence alone
    raise _error

from vocomp_lab.console import quiet_while_loading

quiet_while_loading()  # before the rest, which takes a second

from vocomp_lab.analysis.level_prep import propose_regions
from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.loudness import Loudness, integrated_lufs, loudness
from vocomp_lab.analysis.lowend import find_pops
from vocomp_lab.analysis.measures import Goal
from vocomp_lab.analysis.meters import active_mask, noise_floor_dbfs, reduction_stats
from vocomp_lab.analysis.pitch import pitch_range, pitch_track
from vocomp_lab.analysis.resonance import find_resonances
from vocomp_lab.lessons.blind import AbxSession, PreferenceSession
from vocomp_lab.lessons.course import Lesson, begin
from vocomp_lab.lessons.proposals import Proposal, check_goals, propose_chain, proposed_chain
from vocomp_lab.lessons.report import examine
from vocomp_lab.processors.blocks import total_reduction_db
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.processors.character import FetCompressor, OptoCompressor, TubeCompressor, VcaCompressor, character
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import Compressed, Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.rides import FaderRide, RidePoint
from vocomp_lab.singer.song import Take, make_take, shipped
from vocomp_lab.sound.audio import Clip, load, save
from vocomp_lab.sound.levels import (
    amplitude_to_db,
    crest_factor_db,
    db_to_amplitude,
    power_to_db,
    rms_dbfs,
    sample_peak_dbfs,
    true_peak_dbtp,
)

__version__ = "0.1.0"

__all__ = [
    "AbxSession",
    "active_mask",
    "amplitude_to_db",
    "begin",
    "Chain",
    "ChainResult",
    "character",
    "check_goals",
    "Clip",
    "ClipGain",
    "Colour",
    "Compressed",
    "Compressor",
    "crest_factor_db",
    "db_to_amplitude",
    "DeEsser",
    "examine",
    "FaderRide",
    "FetCompressor",
    "find_pops",
    "find_resonances",
    "Gain",
    "GainRegion",
    "Goal",
    "HighPass",
    "HighShelf",
    "integrated_lufs",
    "Lesson",
    "load",
    "Loudness",
    "loudness",
    "LowShelf",
    "make_take",
    "match_loudness",
    "noise_floor_dbfs",
    "OptoCompressor",
    "Peaking",
    "pitch_range",
    "pitch_track",
    "power_to_db",
    "PreferenceSession",
    "Proposal",
    "propose_chain",
    "propose_regions",
    "proposed_chain",
    "reduction_stats",
    "RidePoint",
    "rms_dbfs",
    "sample_peak_dbfs",
    "save",
    "shipped",
    "Take",
    "total_reduction_db",
    "true_peak_dbtp",
    "TubeCompressor",
    "VcaCompressor",
]
