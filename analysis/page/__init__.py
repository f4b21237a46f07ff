"""Tables, files, the report, the demonstration."""
