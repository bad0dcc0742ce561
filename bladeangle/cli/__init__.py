"""The command line: one file a command, thin, heavy imports inside the command bodies.

Modules in import order: options, completion, help, manual, main, batch, calibrate, check, config, correct, export,
inventory, measure, order, phone, plan, report, ring, tune, verify.
"""
