"""What would make THD known that noise hides."""
