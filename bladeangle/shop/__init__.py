"""Orders, verdicts and what to change.

Modules in import order: decision, orders, ordering, judging, verify, tip_changes, verdict_words, tuning, certificate.
"""
