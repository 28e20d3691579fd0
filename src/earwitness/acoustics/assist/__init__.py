"""Make faint hiss audible on headphones, block by block: filters, shift, subtraction, ticks."""
