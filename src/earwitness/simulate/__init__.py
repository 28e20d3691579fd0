"""A seeded engine bay: leaks, passages, shop noise and an operator's voice."""
