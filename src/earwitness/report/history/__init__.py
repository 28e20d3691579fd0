"""The page that compares the visits of one engine."""
