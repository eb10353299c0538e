"""Lessons for people."""
