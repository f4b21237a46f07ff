"""What any part of the window is made of: text as it is, look, words, small forms."""
