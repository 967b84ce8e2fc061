"""Which lesson explains what: every public name, and the lesson to open for it."""

from __future__ import annotations

import importlib
import inspect

EXPLAINED_IN = {
    "00_start_here": (
        "Bench",
        "Clip",
        "Goal",
        "left_right_both",
        "make_take",
        "shipped",
        "SoundCheck",
        "Overview",
        "Take",
        "VoiceChoice",
    ),
    "01_levels_and_meters": (
        "active_mask",
        "amplitude_to_db",
        "crest_factor_db",
        "db_to_amplitude",
        "equal_loudness_db",
        "Gain",
        "GuessLevels",
        "Homework",
        "integrated_lufs",
        "Loudness",
        "loudness",
        "match_loudness",
        "noise_floor_dbfs",
        "power_to_db",
        "ppm_reading",
        "reduction_needle",
        "rms_dbfs",
        "sample_peak_dbfs",
        "task_bench",
        "true_peak_dbtp",
        "vu_reading",
    ),
    "02_level_prep": (
        "begin",
        "breath_level_db",
        "ClipGain",
        "eye_and_ear",
        "find_breaths",
        "find_phrases",
        "find_sections",
        "GainRegion",
        "Lesson",
        "propose_regions",
        "RegionBench",
        "sections_at",
        "turned_down",
        "voiced_words",
        "WordNames",
    ),
    "03_filtering": (
        "add_proximity",
        "band_level_db",
        "decibels",
        "DeEsser",
        "find_pops",
        "find_resonances",
        "find_sibilants",
        "HighPass",
        "HighShelf",
        "low_end_reaction",
        "LowShelf",
        "Peaking",
        "pitch_range",
        "Pop",
        "proximity_db",
        "running_level_db",
        "sibilance_balance_db",
        "span_mask",
        "suspect_rings",
    ),
    "04_peak_control": (
        "Compressed",
        "Compressor",
        "goals_for",
        "harmonic_distortion_percent",
        "reduction_moments",
        "reduction_stats",
        "stated_times",
    ),
    "05_steady_compression": (
        "even_threshold_db",
        "gain_swing_db",
        "pause_lift",
        "peak_to_loudness_ratio_db",
        "propose_stage",
        "quiet_lift_db",
        "threshold_for",
        "on_this_voice",
        "Tradeoff",
        "measure_tradeoff",
        "word_levels",
    ),
    "06_slow_attack": (
        "find_onsets",
        "hiss_lift_db",
        "onset_to_sustain_db",
        "recovered_percent",
        "Table",
    ),
    "07_compressor_types": (
        "aliasing_db",
        "BlindBench",
        "character",
        "Colour",
        "FetCompressor",
        "harmonics_db",
        "KeepChoice",
        "measure_burst",
        "OptoCompressor",
        "TubeCompressor",
        "VcaCompressor",
    ),
    "08_the_vocal_in_the_mix": (
        "balance",
        "Chain",
        "ChainResult",
        "check_chain",
        "compare_sends",
        "FaderRide",
        "measure_order",
        "JudgementBox",
        "MixBench",
        "move_stage",
        "presence",
        "propose_ride",
        "RideBench",
        "RidePoint",
        "vocal_over_backing",
    ),
    "08b_judging_your_work": (
        "AbxSession",
        "as_played",
        "check_compression",
        "compressed_part",
        "compression_table",
        "detectable_share",
        "false_alarm_when_peeking",
        "FaultGallery",
        "GalleryBench",
        "needed_right",
        "power",
        "PreferenceBench",
        "PreferenceSession",
        "same_work",
    ),
    "09_your_own_vocal": (
        "check_goals",
        "examine",
        "ExportBox",
        "load",
        "OwnVocal",
        "pitch_track",
        "Proposal",
        "propose_chain",
        "proposed_chain",
        "save",
        "StyleMenu",
        "split_low_end",
        "total_reduction_db",
        "what_it_did",
    ),
    "10_ear_practice": (
        "PracticeBench",
        "PracticeOverview",
        "SkillBench",
    ),
}
"""The public names that each lesson explains, pictures left aside. A name is in one lesson only."""
FACES = ("vocomp_lab", "vocomp_lab.analysis", "vocomp_lab.lessons", "vocomp_lab.exercises", "vocomp_lab.bench")


def lesson_of(name: str) -> str:
    """The lesson that explains a public name.

    Parameters
    ----------
    name : str
        Such as "Compressor".

    Returns
    -------
    str
        The notebook's name without its suffix, such as "04_peak_control".

    Raises
    ------
    ValueError
        If no lesson explains it.
    """
    for lesson, names in EXPLAINED_IN.items():
        if name in names:
            return lesson
    raise ValueError(f"name: no lesson explains {name!r}; ask for a public name, such as 'Compressor'.")


def summary(lesson: str) -> str:
    """What a lesson explains: a line for each name, with the first sentence of its help.

    Raises
    ------
    ValueError
        If there is no such lesson.
    """
    if lesson not in EXPLAINED_IN:
        raise ValueError(f"lesson: there is no {lesson!r}; the lessons are {', '.join(EXPLAINED_IN)}.")
    return "\n".join(f"{name}: {_first_line(name)}" for name in EXPLAINED_IN[lesson])


def _first_line(name: str) -> str:
    for face in map(importlib.import_module, FACES):
        if name in face.__all__:
            return inspect.getdoc(getattr(face, name)).splitlines()[0]
    raise ValueError(f"name: {name!r} is not public.")
