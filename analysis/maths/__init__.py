"""Rational models, quantities with uncertainty, numbers in words, tables of text."""
