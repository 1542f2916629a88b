"""The page and the tables of what filters cost."""
