"""What putting the microphone back changes: the page's section, its table, a CSV."""
