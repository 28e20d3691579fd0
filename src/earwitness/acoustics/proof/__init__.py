"""What the air switched on and off proves about a hiss, and how loud it is."""
