"""The command line: one module a command; builds the objects."""
