"""The report on a ladder held against a staircase; the page lists ``section.py``."""
