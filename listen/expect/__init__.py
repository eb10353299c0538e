"""What contact a timed path makes with the stock, and where to stop and look.

The sheet's data are in `listen.expect.sheet`, its three forms in `sheet_terminal`, `sheet_page` and
plain JSON, the words of both in `sheet_words`; the questions of `cut-listen job` in `setup_questions`.
"""

from listen.expect.expected import Expected, expect, expect_timeline

__all__ = ["Expected", "expect", "expect_timeline"]
