"""The files that measurements leave and take: records, corrections, tables.

Modules in import order: edits, station, content, record, exchange, tip_words, summary.
"""
