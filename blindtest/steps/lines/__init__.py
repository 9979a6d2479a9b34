"""What was found, in lines for the terminal: a module for each kind of claim."""
