"""From a recording of sweeps to the ratio of its channels with its noise."""
