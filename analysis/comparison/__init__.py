"""What changed between two states: told, drawn, written, put into the report."""
