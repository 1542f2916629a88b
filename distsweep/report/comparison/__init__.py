"""The page and the tables of a comparison: sources in one axes, what differs, ranks of many."""
