"""Lines on the cast: picked, read from a file or off the pen, joined to a network."""
