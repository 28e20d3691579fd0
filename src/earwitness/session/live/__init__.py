"""The inspection while it is being made: its steps, its sound, its voice, its run sheet."""
