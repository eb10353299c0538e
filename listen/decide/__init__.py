"""Frames as state likelihoods and events: the ear."""
