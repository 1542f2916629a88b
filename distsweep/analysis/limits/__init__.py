"""What holds the output back, from which level, and up to where the output stays clean."""
