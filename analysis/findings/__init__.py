"""What rings in the box, and why: told, written, put into the report."""
