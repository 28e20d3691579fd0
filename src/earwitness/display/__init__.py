"""The bay page: what a running inspection shows in a browser, and what may be asked there."""

from earwitness.display.server import Page, serve

__all__ = ["Page", "serve"]
