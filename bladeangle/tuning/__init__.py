"""Tuned values in one place, each with its unit, meaning, evidence and sensitivity."""
