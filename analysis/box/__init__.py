"""From a build to its box: tuning, losses, leak, volume, in numbers and words."""
