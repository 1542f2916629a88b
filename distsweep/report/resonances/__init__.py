"""The report on resonances; the page lists ``section.py``."""
