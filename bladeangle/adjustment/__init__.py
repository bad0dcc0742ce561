"""The least-squares model of all photographs and its solution.

Modules in import order: tip_radius, rotor, model, equations, correlated_errors, priors, normals, adjust.
"""
