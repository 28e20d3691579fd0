"""What comes before the record of a live inspection: the engine is named."""
