"""The parts of the report of one inspection."""
