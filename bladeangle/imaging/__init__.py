"""Photographs, cameras and the ring: from a file to a posed picture."""
