"""A recorded staircase: sine fits, gain against time, and what each burst shows."""
