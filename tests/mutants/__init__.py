"""Our own mutants: one small fault at a time in a copy, and whether the tests that mirror its module notice.

    python -m tests.mutants [MODULE ...]

`mutants.toml` keeps them as data: module -> its tests, and faults as (text, replacement). A text must stand in its
module exactly once, so that a change of the module is noticed here.
"""
