"""Runs and live sessions as pages."""
