"""Narrow peaks of harmonics: which are resonances, of which kind, and how sure."""
