"""What was said: the trade's vocabulary, spoken numbers, and offline recognition."""
