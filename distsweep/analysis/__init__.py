"""Arrays in, numbers out: nothing here opens a file or prints."""
