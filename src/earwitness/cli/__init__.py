"""The command line: parse, one call, print, exit."""
