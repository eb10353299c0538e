"""What contact a timed path makes with the stock, and where to stop and look."""
