"""The command line: one file a command, each of which parses, calls a room below and prints."""
