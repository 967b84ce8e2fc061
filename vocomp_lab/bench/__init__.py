"""Every widget: sliders, pictures, numbers and the player in the page, whose scripts lie here too.

This is the only room that imports ipywidgets. It may import from all rooms but `jupyter`.
"""

from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.blind import BlindBench, PreferenceBench
from vocomp_lab.bench.export_box import ExportBox
from vocomp_lab.bench.gallery import GalleryBench
from vocomp_lab.bench.homework import task_bench
from vocomp_lab.bench.judgements import JudgementBox
from vocomp_lab.bench.keep import KeepChoice
from vocomp_lab.bench.mix import MixBench
from vocomp_lab.bench.overview import Overview
from vocomp_lab.bench.own_vocal import OwnVocal
from vocomp_lab.bench.practice import PracticeBench, PracticeOverview
from vocomp_lab.bench.recorder import SoundCheck
from vocomp_lab.bench.regions import RegionBench
from vocomp_lab.bench.rides import RideBench
from vocomp_lab.bench.skill import SkillBench
from vocomp_lab.bench.style_menu import StyleMenu
from vocomp_lab.bench.voice_choice import VoiceChoice
from vocomp_lab.bench.word_names import WordNames

__all__ = [
    "Bench",
    "BlindBench",
    "ExportBox",
    "GalleryBench",
    "JudgementBox",
    "KeepChoice",
    "MixBench",
    "Overview",
    "OwnVocal",
    "PracticeBench",
    "PracticeOverview",
    "PreferenceBench",
    "RegionBench",
    "RideBench",
    "SkillBench",
    "SoundCheck",
    "StyleMenu",
    "VoiceChoice",
    "WordNames",
    "task_bench",
]
