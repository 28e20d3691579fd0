"""The run sheet: read, checked, and written for what was recorded live."""
