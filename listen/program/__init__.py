"""How the tool moves: text, blocks, moves, timed path."""
