"""The verdict: what a reader wants to know first, on one screen."""
