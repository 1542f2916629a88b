"""The report on harmonic distortion; the page lists ``section.py``."""
