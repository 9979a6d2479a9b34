"""A bundle that came from somebody else: opened within limits, and everything in it checked."""
