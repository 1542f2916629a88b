"""Damage in a recording: the strip under figures, the page's section and its words."""
