"""What to tell the person: flags and the hold cue."""

from listen.advise.flags import Advise
from listen.advise.policy import Policy

__all__ = ["Advise", "Policy"]
