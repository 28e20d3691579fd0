"""The inspection on disk: an append-only, hash-chained log and the sound files it names."""
