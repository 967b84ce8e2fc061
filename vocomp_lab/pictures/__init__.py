"""Every figure: the pictures of a bench, updated in place, and those that a lesson shows.

This is the only room that imports matplotlib. It may import from `sound`, `processors`, `singer` and `analysis`.
"""

from vocomp_lab.pictures.character import plot_aliasing, plot_bursts, plot_harmonics
from vocomp_lab.pictures.control import (
    plot_blends,
    plot_onsets,
    plot_over_time,
    plot_release_and_beat,
    plot_static_curves,
    plot_word_loudness,
)
from vocomp_lab.pictures.filtering import plot_balances, plot_low_cuts, plot_reaction
from vocomp_lab.pictures.mix import plot_stage_reductions
from vocomp_lab.pictures.regions import plot_eye_and_ear, spread_db, word_levels_after
from vocomp_lab.pictures.shown import show

__all__ = [
    "plot_aliasing",
    "plot_balances",
    "plot_blends",
    "plot_bursts",
    "plot_eye_and_ear",
    "plot_harmonics",
    "plot_low_cuts",
    "plot_onsets",
    "plot_over_time",
    "plot_reaction",
    "plot_release_and_beat",
    "plot_stage_reductions",
    "plot_static_curves",
    "plot_word_loudness",
    "show",
    "spread_db",
    "word_levels_after",
]
