"""The commands of the command line, by topic: read options, call one room, print."""
