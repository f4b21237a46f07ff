"""From a build to its bass: its sound, what a change costs, words, pictures, netlists."""
