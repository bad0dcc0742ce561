"""Blade angles of small jet-pump impellers from photographs on a printed ring."""

__version__ = "0.10.1"
