"""The report on background noise and hum; the page lists ``section.py``."""
