"""The build folder on disk: description, takes, sidecars, states, import."""
