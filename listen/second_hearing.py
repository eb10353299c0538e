"""What a run shows once it was heard to its end: refined events, their verdicts, further flags."""

from collections.abc import Sequence
from dataclasses import dataclass

from listen.advise import flags_afterwards
from listen.blocks import Gap
from listen.ears import Ear
from listen.follow import refined_verdicts
from listen.followed import Verdict
from listen.marks import Mark
from listen.states import ContactSound, Event
from listen.timeline import Timeline
from listen.told import Flag


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondHearing:
    """What the whole run shows.

    Attributes
    ----------
    refined : tuple of Event
    verdicts : tuple of Verdict
        Empty without a job.
    flags : tuple of Flag
        Those that were not raised while it ran.
    """

    refined: tuple[Event, ...]
    verdicts: tuple[Verdict, ...] = ()
    flags: tuple[Flag, ...] = ()


def second_hearing(
    ear: Ear, timeline: Timeline | None, *, rate: int, told: Sequence[object], end: int
) -> SecondHearing:
    """Events, verdicts and further flags as known after the whole run was heard.

    Parameters
    ----------
    ear : Ear
        The one that heard the run, closed.
    timeline, rate
        As for `Session`.
    told : sequence
        All that was given and decided while it ran; contact sounds, marks, gaps and flags are used.
    end : int
        End of the recording [samples].
    """
    refined = ear.look_again()
    if timeline is None:
        return SecondHearing(refined=refined)
    verdicts = refined_verdicts(
        timeline,
        refined,
        [item for item in told if isinstance(item, ContactSound)],
        [item for item in told if isinstance(item, Mark)],
        rate,
        ear.rates,
        end=end,
        gaps=[item for item in told if isinstance(item, Gap)],
        beliefs=ear.believed_again(),
    )
    flags = flags_afterwards(timeline, verdicts, [item for item in told if isinstance(item, Flag)], rate)
    return SecondHearing(refined=refined, verdicts=verdicts, flags=flags)
