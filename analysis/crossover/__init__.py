"""The crossover: what it is, what it gives each driver, what changing a part would do."""
