"""The command line: one module a command group. Parse, one call, print, exit status."""
