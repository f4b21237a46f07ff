"""The readings of the results, listed in `gui.views.all_views`."""
