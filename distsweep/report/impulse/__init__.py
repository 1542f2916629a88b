"""The report on impulse and step response; the page lists ``section.py``."""
