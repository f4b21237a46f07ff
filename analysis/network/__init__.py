"""Networks between a speaker's terminals and its drivers: how they are written down, and what they do."""
