"""Photographs, cameras and the ring: from a file to a posed picture.

Modules in import order: compression, saturation, photo, profiles, camera, unseen, ring, pose, quality, ring_design,
sheet_notes, sheets.
"""
