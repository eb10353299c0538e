"""The world as blocks of sound, load and marks."""
