"""A bench for learning vocal compression: compressors, meters, pictures and sound, for the notebooks beside it.

Everything a notebook needs is here by name; the modules say which lesson explains what.
"""

from vocomp_lab.audio import Clip, SoundReader, SoundWriter, load, save
from vocomp_lab.blind import AbxSession, BlindResult, PreferenceSession, match_pair, needed_right
from vocomp_lab.chain import Chain, ChainResult, StageResult
from vocomp_lab.character import FetCompressor, OptoCompressor, TubeCompressor, VcaCompressor, character
from vocomp_lab.clip_gain import (
    ClipGain,
    GainRegion,
    Span,
    eye_and_ear,
    find_phrases,
    find_words,
    propose_regions,
    running_level,
    voiced_words,
)
from vocomp_lab.colour import Colour
from vocomp_lab.compressor import Compressed, Compressor
from vocomp_lab.course import Lesson, begin
from vocomp_lab.diagnosis import FaultGallery, Finding, compressed_part, diagnose, measure_compression
from vocomp_lab.distortion import aliasing_db, harmonic_distortion_percent, harmonics_db, tone_spectrum_db
from vocomp_lab.evenness import loudness_spread_lu
from vocomp_lab.export import export
from vocomp_lab.file_levels import FileLevels, measure_file
from vocomp_lab.file_render import Rendered, render_file
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
from vocomp_lab.lowend import LowEndReaction, Pop, band_level_db, find_pops, low_end_reaction
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
from vocomp_lab.mix import Mix, Presence, balance, presence, vocal_over_backing
from vocomp_lab.onsets import find_onsets, onset_to_sustain_db
from vocomp_lab.order import OrderNumbers, measure_order, move_stage
from vocomp_lab.parallel import blended_curve
from vocomp_lab.pitch import PitchRange, PitchTrack, pitch_range, pitch_track
from vocomp_lab.proposals import Proposal, check_goals, propose_chain, proposed_chain
from vocomp_lab.pumping import floor_lift_db, gain_travel_db_per_s
from vocomp_lab.rendering import in_blocks
from vocomp_lab.report import RecordingReport, examine
from vocomp_lab.resonance import Resonance, find_resonances
from vocomp_lab.settings_page import SettingsPage
from vocomp_lab.sibilance import DeEsser, find_sibilants, sibilance_balance_db
from vocomp_lab.song import Take, make_take, shipped, shipped_names
from vocomp_lab.times import Burst, measure_burst, stated_times
from vocomp_lab.workload import Workload, workload

__version__ = "0.1.0"

__all__ = [
    "AbxSession",
    "active_mask",
    "aliasing_db",
    "amplitude_to_db",
    "balance",
    "band_level_db",
    "begin",
    "blended_curve",
    "BlindResult",
    "Burst",
    "Chain",
    "ChainResult",
    "character",
    "check_goals",
    "Clip",
    "ClipGain",
    "Colour",
    "Compressed",
    "compressed_part",
    "Compressor",
    "crest_factor_db",
    "db_to_amplitude",
    "DeEsser",
    "diagnose",
    "examine",
    "export",
    "eye_and_ear",
    "FaultGallery",
    "FetCompressor",
    "FileLevels",
    "find_onsets",
    "find_phrases",
    "find_pops",
    "find_resonances",
    "find_sibilants",
    "find_words",
    "Finding",
    "floor_lift_db",
    "Gain",
    "gain_travel_db_per_s",
    "GainRegion",
    "Goal",
    "GuessLevels",
    "harmonic_distortion_percent",
    "harmonics_db",
    "HighPass",
    "HighShelf",
    "in_blocks",
    "integrated_lufs",
    "Lesson",
    "load",
    "loudness",
    "Loudness",
    "loudness_spread_lu",
    "low_end_reaction",
    "LowEndReaction",
    "LowShelf",
    "make_take",
    "match_loudness",
    "match_pair",
    "measure_burst",
    "measure_compression",
    "measure_file",
    "measure_order",
    "Mix",
    "move_stage",
    "needed_right",
    "noise_floor_dbfs",
    "onset_to_sustain_db",
    "OptoCompressor",
    "OrderNumbers",
    "Peaking",
    "pitch_range",
    "pitch_track",
    "PitchRange",
    "PitchTrack",
    "Pop",
    "power_to_db",
    "ppm_reading",
    "PreferenceSession",
    "Presence",
    "presence",
    "Proposal",
    "propose_chain",
    "propose_regions",
    "proposed_chain",
    "RecordingReport",
    "reduction_moments",
    "reduction_needle",
    "reduction_stats",
    "ReductionStats",
    "render_file",
    "Rendered",
    "Resonance",
    "rms_dbfs",
    "running_level",
    "sample_peak_dbfs",
    "save",
    "SettingsPage",
    "shipped",
    "shipped_names",
    "sibilance_balance_db",
    "SoundReader",
    "SoundWriter",
    "Span",
    "StageResult",
    "stated_times",
    "Take",
    "tone_spectrum_db",
    "true_peak_dbtp",
    "TubeCompressor",
    "VcaCompressor",
    "vocal_over_backing",
    "voiced_words",
    "vu_reading",
    "Workload",
    "workload",
]
