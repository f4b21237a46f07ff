"""What goes on beside the window: lanes, the session, edits that can be undone, settings."""
