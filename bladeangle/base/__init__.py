"""What everything rests on: errors, files, geometry, uncertainty."""
