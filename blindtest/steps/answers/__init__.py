"""What the answers come to: from the rows of the record to what becomes of each claim, a module for each kind."""
