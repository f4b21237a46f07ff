"""The window: capture and results side by side."""
