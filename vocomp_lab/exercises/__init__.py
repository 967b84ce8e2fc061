"""Homework: tasks that differ by learner, answers kept as data, feedback at once, and marks for a whole class.

============== ==============================================================================================
module         its one idea
============== ==============================================================================================
`learners`     who is asked, and the random numbers that are theirs
`mistakes`     typical mistakes, each with a name and a sentence
`tasks`        the kinds of task: prompt, reading an answer, judging it, the key
`box`          a student's function in a process of its own (`box_inside` is what runs there)
`sheets`       the answer sheet: JSON, checked on reading, written safely
`catalogue`    which homeworks there are (`homework_01`, `homework_04`, …: one module each)
`homework`     what a notebook uses: ask, give, hint, tally
`collecting`   the sheets of a class server, out of the homes into one folder
`marking`      a folder of sheets to marks, by any executor
`reports`      the table, the learners' pages, the answer key
============== ==============================================================================================

The first homework belongs to lesson ``01_levels_and_meters``.
"""

from vocomp_lab.exercises.homework import Homework

__all__ = ["Homework"]
