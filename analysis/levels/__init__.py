"""What is on the clips over the level: takes of one address as a series."""
