"""What was recorded: sessions, recordings, finding the rungs in them."""
