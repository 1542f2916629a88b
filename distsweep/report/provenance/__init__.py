"""The report on where the results come from; the page lists ``section.py``."""
