"""Blocks of sound and load as frames of features."""
