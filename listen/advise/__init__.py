"""What to tell the person: flags, and words while it happens."""

from listen.advise.advise import Advise
from listen.advise.afterwards import flags_afterwards
from listen.advise.policy import Policy

__all__ = ["Advise", "Policy", "flags_afterwards"]
