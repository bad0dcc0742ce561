"""What of a rotor is seen in photographs: hub, outlines, edges.

Modules in import order: hub, outline, visibility, edges, blade_ends, second_edge, oblique, start.
"""
