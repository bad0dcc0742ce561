"""What an adjustment says: angles, sizes, doubts, advice."""
