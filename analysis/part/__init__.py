"""The parts of a crossover, each from its own take."""
