"""What an adjustment says: angles, sizes, doubts, advice.

Modules in import order: angles, weighted, contradicted, waviness, stations, tips, trailing, expected, advice,
own_unknowns, moved, two_rotors, edge_shifts, picture_shear, unevenness, diagnostics.
"""
