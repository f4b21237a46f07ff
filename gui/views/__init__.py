"""The readings of the results; a module here is a view (see ``gui.view``)."""
