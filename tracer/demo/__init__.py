"""A sheet of our own invention, with its known drawing."""
