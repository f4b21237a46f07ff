"""The look of all pictures: style, marks, words, curves."""
