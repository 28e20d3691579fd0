"""One visit to one engine: the dialogue, the run sheet, and what ties the rooms together."""
