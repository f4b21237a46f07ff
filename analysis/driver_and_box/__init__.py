"""From a build to driver, box and bass: words, documents, pictures."""
