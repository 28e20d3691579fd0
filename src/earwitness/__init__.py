"""Say which seal of a leaking cylinder lets the air out, how surely, and prove it later."""

__version__ = "0.6.0"
