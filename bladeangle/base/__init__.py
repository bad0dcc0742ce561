"""What everything rests on: errors, files, geometry, uncertainty.

Modules in import order: errors, files, clock, inputs, structure, outputs, config, geometry, budget, flags, lengths,
gauge.
"""
