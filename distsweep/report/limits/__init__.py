"""The report on gain change, limiters and staircases; the page lists ``section.py``."""
