"""What is measured or found in a clip: loudness, meters, pitch, words, s sounds, rings, and what a stage changed.

Pure functions on clips and arrays; nothing here proposes or draws. It may import from `sound` and `processors`.
"""

from vocomp_lab.analysis.breaths import breath_level_db, find_breaths, turned_down
from vocomp_lab.analysis.diagnosis import compressed_part, findings, measure_compression
from vocomp_lab.analysis.distortion import aliasing_db, harmonic_distortion_percent, harmonics_db
from vocomp_lab.analysis.equal_loudness import equal_loudness_db
from vocomp_lab.analysis.evenness import even_threshold_db, word_levels
from vocomp_lab.analysis.listening import left_right_both
from vocomp_lab.analysis.lowend import Pop, band_level_db, low_end_reaction, running_level_db, split_low_end
from vocomp_lab.analysis.measures import reduction_moments
from vocomp_lab.analysis.meters import peak_to_loudness_ratio_db, ppm_reading, reduction_needle, vu_reading
from vocomp_lab.analysis.mix import balance, presence, vocal_over_backing
from vocomp_lab.analysis.onsets import find_onsets, onset_to_sustain_db, recovered_percent
from vocomp_lab.analysis.order import measure_order, move_stage
from vocomp_lab.analysis.parallel import quiet_lift_db
from vocomp_lab.analysis.proximity import add_proximity, proximity_db
from vocomp_lab.analysis.pumping import gain_swing_db, hiss_lift_db, pause_lift
from vocomp_lab.analysis.resonance import suspect_rings
from vocomp_lab.analysis.rides import propose_ride
from vocomp_lab.analysis.sections import find_sections, sections_at
from vocomp_lab.analysis.sends import compare_sends
from vocomp_lab.analysis.sibilants import find_sibilants, sibilance_balance_db, span_mask
from vocomp_lab.analysis.thresholds import threshold_for
from vocomp_lab.analysis.times import measure_burst, stated_times
from vocomp_lab.analysis.tradeoff import Tradeoff, measure_tradeoff
from vocomp_lab.analysis.words import eye_and_ear, find_phrases, voiced_words
from vocomp_lab.sound.text import decibels

__all__ = [
    "Pop",
    "Tradeoff",
    "add_proximity",
    "aliasing_db",
    "balance",
    "breath_level_db",
    "band_level_db",
    "compare_sends",
    "compressed_part",
    "decibels",
    "equal_loudness_db",
    "even_threshold_db",
    "eye_and_ear",
    "find_breaths",
    "find_onsets",
    "find_phrases",
    "find_sections",
    "find_sibilants",
    "gain_swing_db",
    "harmonic_distortion_percent",
    "harmonics_db",
    "hiss_lift_db",
    "left_right_both",
    "low_end_reaction",
    "measure_burst",
    "measure_order",
    "measure_tradeoff",
    "move_stage",
    "onset_to_sustain_db",
    "pause_lift",
    "peak_to_loudness_ratio_db",
    "ppm_reading",
    "presence",
    "propose_ride",
    "proximity_db",
    "quiet_lift_db",
    "recovered_percent",
    "reduction_moments",
    "reduction_needle",
    "running_level_db",
    "sections_at",
    "sibilance_balance_db",
    "span_mask",
    "split_low_end",
    "stated_times",
    "suspect_rings",
    "threshold_for",
    "turned_down",
    "vocal_over_backing",
    "voiced_words",
    "vu_reading",
    "word_levels",
]
