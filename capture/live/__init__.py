"""A live take: wiring, level, sweep, checks."""
