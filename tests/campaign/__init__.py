"""The fault campaign: many spoiled inputs through the real command, and a table of what became of them.

    python -m tests.campaign --cases 500 --seed 1 --size 2016x1512

`bases` renders sound sets of photographs, `spoil` spoils files and names, `cases` draws cases, `running` runs the
command on one under a time and memory limit and judges the outcome against the truth.
"""
