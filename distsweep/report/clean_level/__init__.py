"""The report on the highest clean level; the sections on limits show it."""
