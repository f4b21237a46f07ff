"""Single parts and wire: kinds and values, what stands on them, several made into one, coils, and all that in words."""
