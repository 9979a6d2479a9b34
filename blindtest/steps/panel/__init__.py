"""A readers' panel: who comes in, what is asked before the first sound, sittings, and the end."""
