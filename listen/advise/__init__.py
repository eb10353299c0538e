"""What to tell the person: flags and the hold cue."""
