"""The kinds of task, by what an answer is: numbers, settings, chains, functions, or words and listening."""

from vocomp_lab.exercises.kinds.chains import Aim, BuildIt, Built, stage_aim
from vocomp_lab.exercises.kinds.functions import WriteIt
from vocomp_lab.exercises.kinds.numbers import FindIt, WorkOut
from vocomp_lab.exercises.kinds.settings import SetIt
from vocomp_lab.exercises.kinds.words import Diagnose, HearIt

__all__ = ["Aim", "BuildIt", "Built", "Diagnose", "FindIt", "HearIt", "SetIt", "WorkOut", "WriteIt", "stage_aim"]
