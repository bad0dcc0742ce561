"""Tuned values in one place, each with its unit, meaning, evidence and sensitivity.

Lengths are mm but where a picture is meant: blur, noise, compression and what a fit leaves over are of its pixels. Such
px are of photographs as they are worked on, or of the usual size (`photo.USUAL_SIDE_PX`) where the code scales them, as
it does in `imaging/quality.py`, `detection/edges.py` and `pipeline/register.py`.

Evidence without a date is of November 2026. Sensitivities are of `python -m tests.bench.tuning` on rendered sets, which
they name by kind: the pair, five and eight of a used rotor (`tests.bench.rendered`, seed 65717892, photographs of 3,000
px a side), of 15, 9 and 15 angles. They tell which values matter; of rare failures and of coverage so few sets say
little. z2 is the sum of the squares of error over u.

Modules in import order: value, imaging, edges, detection, adjustment, priors, results, expected, pipeline, blade_ends,
register, tree.
"""
