"""What `tools/bench live` is made of."""
