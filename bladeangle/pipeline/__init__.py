"""From photographs to a record, in order.

Modules in import order: options, shots, turning, sight, ends, disturbances, mixups, outlines, overhead, fit,
register, overlap, lower_ends, unlike, adjusted, judged, measure, sorting, check, calibrate, assemble, again.
"""
