"""From photographs to a record, in order."""
