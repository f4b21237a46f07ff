"""The gate before any sound, permits, devices, and the process that plays."""
