"""Parts of `tools/bench advise`."""
