"""The report on THD at stated levels; the page lists ``section.py``."""
