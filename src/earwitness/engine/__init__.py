"""What is under test: the engine's layout, where to listen, and in which order."""
