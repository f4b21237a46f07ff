"""What was done to a build, what each step of it did, and what it cost: told, written, put into the report."""
