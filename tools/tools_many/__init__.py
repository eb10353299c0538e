"""What the workers of `tools/bench many` do."""
