"""The report on the fundamental; the page lists ``section.py``."""
