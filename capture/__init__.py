"""Excitation, recordings, the build folder on disk, and the live audio path."""
