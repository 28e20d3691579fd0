"""From likelihoods to what is said: committed or not, reasons, contradictions, the next check."""
