"""Air bubbling through coolant: each bubble by its ring, and their rate with the air."""
