"""The inspection on paper: from a record to one self-contained page."""
