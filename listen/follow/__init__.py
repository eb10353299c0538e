"""Where the program is, and what became of each contact."""
