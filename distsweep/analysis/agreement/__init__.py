"""A ladder and a staircase at one position, held against each other."""
