"""Homework that checks itself: tasks that differ from learner to learner, answers kept as data, and marks for a class.

A homework is a module ``homework_NN``, found by its name; its tasks are of the kinds in ``kinds``. This room may import
from every room except `bench` and `jupyter`.
"""

from vocomp_lab.exercises.homework import Homework

__all__ = ["Homework"]
