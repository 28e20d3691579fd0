"""The inspection while it is being made: its steps, what is shown, what is kept, its run sheet."""
