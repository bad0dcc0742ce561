"""Fuzzing of every reader: photographs, records, orders, rings, cameras, edits.

    python -m tests.fuzz record order --seconds 100

runs the coverage-guided fuzzer (package atheris, not among the dependencies) on the readers named, or on all. Without
it `test_readers.py` runs the same targets on seeded mutations in the ordinary tests.
"""
