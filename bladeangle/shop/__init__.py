"""Orders, verdicts and what to change."""
