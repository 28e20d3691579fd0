"""Packing a record into a claim bag."""
