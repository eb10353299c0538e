"""What tools/train is made of."""
