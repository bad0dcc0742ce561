"""The files that measurements leave and take: records, corrections, tables."""
