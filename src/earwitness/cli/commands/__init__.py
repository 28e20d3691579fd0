"""The commands as they are typed: arguments, help and examples, one call each."""
