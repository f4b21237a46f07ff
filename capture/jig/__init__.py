"""The guide to building the jig."""
