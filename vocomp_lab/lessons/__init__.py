"""What the lessons do beside signal code: proposals, the state of the course, guessing games, blind tests, reports and
exports.

It works without a page: nothing here draws or shows a widget. It may import from `sound`, `processors`, `singer` and
`analysis`.
"""

from vocomp_lab.lessons import on_this_voice
from vocomp_lab.lessons.blind import detectable_share, false_alarm_when_peeking, needed_right, power
from vocomp_lab.lessons.export import as_played
from vocomp_lab.lessons.gallery import FaultGallery
from vocomp_lab.lessons.goals import check_chain
from vocomp_lab.lessons.guessing import GuessLevels
from vocomp_lab.lessons.judging import check_compression, compression_table
from vocomp_lab.lessons.proposals import propose_stage
from vocomp_lab.lessons.rival import same_work
from vocomp_lab.lessons.settings_page import what_it_did
from vocomp_lab.lessons.styles import goals_for
from vocomp_lab.lessons.tables import Table

__all__ = [
    "FaultGallery",
    "GuessLevels",
    "Table",
    "as_played",
    "check_chain",
    "check_compression",
    "compression_table",
    "detectable_share",
    "false_alarm_when_peeking",
    "goals_for",
    "needed_right",
    "on_this_voice",
    "power",
    "propose_stage",
    "same_work",
    "what_it_did",
]
