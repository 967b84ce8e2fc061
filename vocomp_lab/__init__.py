"""A bench for learning vocal compression: compressors, meters, pictures and sound, for the notebooks beside it.

Everything a notebook needs is here by name; the modules say which lesson explains what.
"""

from vocomp_lab.audio import Clip, load, save
from vocomp_lab.chain import Chain, ChainResult, StageResult
from vocomp_lab.character import FetCompressor, OptoCompressor, TubeCompressor, VcaCompressor, character
from vocomp_lab.clip_gain import (
    ClipGain,
    GainRegion,
    Span,
    find_phrases,
    find_words,
    propose_regions,
    running_level,
)
from vocomp_lab.colour import Colour
from vocomp_lab.compressor import Compressed, Compressor
from vocomp_lab.distortion import harmonic_distortion_percent
from vocomp_lab.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.gain import Gain
from vocomp_lab.guessing import GuessLevels
from vocomp_lab.levels import (
    amplitude_to_db,
    crest_factor_db,
    db_to_amplitude,
    power_to_db,
    rms_dbfs,
    sample_peak_dbfs,
    true_peak_dbtp,
)
from vocomp_lab.listening import match_loudness
from vocomp_lab.loudness import Loudness, integrated_lufs, loudness
from vocomp_lab.measures import Goal, reduction_moments
from vocomp_lab.meters import (
    ReductionStats,
    active_mask,
    noise_floor_dbfs,
    ppm_reading,
    reduction_needle,
    reduction_stats,
    vu_reading,
)
from vocomp_lab.resonance import Resonance, find_resonances
from vocomp_lab.sibilance import DeEsser
from vocomp_lab.song import Take, make_take, shipped, shipped_names
from vocomp_lab.times import stated_times

__version__ = "0.1.0"

__all__ = [
    "active_mask",
    "amplitude_to_db",
    "Chain",
    "ChainResult",
    "character",
    "Clip",
    "ClipGain",
    "Colour",
    "Compressed",
    "Compressor",
    "crest_factor_db",
    "db_to_amplitude",
    "DeEsser",
    "FetCompressor",
    "find_phrases",
    "find_resonances",
    "find_words",
    "Gain",
    "GainRegion",
    "Goal",
    "GuessLevels",
    "harmonic_distortion_percent",
    "HighPass",
    "HighShelf",
    "integrated_lufs",
    "load",
    "Loudness",
    "loudness",
    "LowShelf",
    "make_take",
    "match_loudness",
    "noise_floor_dbfs",
    "OptoCompressor",
    "Peaking",
    "power_to_db",
    "ppm_reading",
    "propose_regions",
    "reduction_moments",
    "reduction_needle",
    "reduction_stats",
    "ReductionStats",
    "Resonance",
    "rms_dbfs",
    "running_level",
    "sample_peak_dbfs",
    "save",
    "shipped",
    "shipped_names",
    "Span",
    "StageResult",
    "stated_times",
    "Take",
    "true_peak_dbtp",
    "TubeCompressor",
    "VcaCompressor",
    "vu_reading",
]
