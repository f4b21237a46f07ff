"""The check right after assembly: may an amplifier be connected, is all as planned, is it as before, as the other."""
