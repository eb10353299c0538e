"""Models fitted to labelled sound."""
