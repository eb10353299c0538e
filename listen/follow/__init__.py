"""Where the program is, and what became of each contact."""

from listen.follow.follower import Follower
from listen.follow.refined import refined_verdicts

__all__ = ["Follower", "refined_verdicts"]
