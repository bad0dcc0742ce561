"""The command line: one file a command, thin, heavy imports inside the command bodies."""
