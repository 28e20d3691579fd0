"""A small claim bag, and every way we know of to tamper with it."""
