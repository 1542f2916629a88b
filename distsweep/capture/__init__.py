"""Playing and recording with an interface."""
