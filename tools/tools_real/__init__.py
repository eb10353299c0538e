"""Real recordings cut, disturbed and put together again, to look at what the ear makes of them."""
