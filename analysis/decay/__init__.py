"""How each resonance of a take dies out."""
