"""What contact a timed path makes with the stock, and where to stop and look."""

from listen.expect.expected import Expected, expect, expect_timeline

__all__ = ["Expected", "expect", "expect_timeline"]
