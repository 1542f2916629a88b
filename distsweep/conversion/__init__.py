"""From what was measured to the records of ``results.json``: the one place where they are made."""
