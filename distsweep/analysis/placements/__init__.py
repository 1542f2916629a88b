"""By how much a measurement changes where the microphone is taken away and put back."""
