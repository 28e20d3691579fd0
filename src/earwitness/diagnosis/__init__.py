"""Which seal leaks: evidence in, probabilities, reasons and the next best check out."""
