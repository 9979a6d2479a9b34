"""To be filled by the room."""
