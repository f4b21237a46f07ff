"""A driver in its box as one system: its moving mass and air, what build.toml says of it, its sound, its netlist."""
