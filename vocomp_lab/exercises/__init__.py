"""Homework that checks itself: tasks that differ by learner, answers as data, and marks for a class.

A homework is a module ``homework_NN``; ``catalogue`` finds it by its name. It may import from all rooms but `bench`
and `jupyter`.
"""

from vocomp_lab.exercises.homework import Homework

__all__ = ["Homework"]
