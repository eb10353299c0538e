"""The run folder, written as it happens and read back; the library of runs."""
