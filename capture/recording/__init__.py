"""What a take is; audio files, sweeps found and followed, checks of recordings."""
