"""From a build to its driver: parameters, words, pictures."""
