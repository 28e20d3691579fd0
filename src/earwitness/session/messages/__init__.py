"""The words of a live inspection: one file a language, read by one module."""
