"""Small files read and written, and the names of all that a build holds."""
