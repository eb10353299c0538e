"""All limits of what a person is told, in one place.

Where no source is named a number is this project's own choice, set with `tools/bench follow`.
"""

from dataclasses import dataclass, field

from listen.followed import VerdictKind

QUIET_KINDS = (VerdictKind.AS_EXPECTED, VerdictKind.CANNOT_TELL)


def _limits() -> dict[VerdictKind, float]:
    return {
        VerdictKind.STARTED_EARLY: 0.7,
        VerdictKind.STARTED_LATE: 0.8,
        VerdictKind.NOT_HEARD: 0.55,
        VerdictKind.ENDED_EARLY: 0.7,
        VerdictKind.ENDED_LATE: 0.8,
        VerdictKind.UNEXPECTED: 0.8,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """When a flag is raised and when a cue is passed on.

    Attributes
    ----------
    least_belief : dict
        Probability from which each kind of verdict is flagged.
    finding_belief : float
        The same for findings of the ear.
    raised_belief : float
        Belief of the ear from which a contact in a raised dry run is a flag; below it is only said.
    sure_position : float
        Belief in the next contact below which only "contact" is said.
    repeat_s : float
        The same finding is flagged again only after so long [s].
    other_cause : float
        An early plunge this many times as early as the tool's others has another cause than they.
    same_share : float
        Two tools whose plunges are early by the same to within this have one cause [share].
    read_early_mm : float
        A Z read while touching this far above the expected touch is early [mm].
    load_low, load_high : float
        Load of a contact, as a share of what is expected, below and above which it is a flag.
    load_contacts : int
        Contacts with a load that come first: the sheet may be off by the same factor everywhere.
    load_at_once : float
        A load in percent this many times the sheet's is a flag before that, too.
    same_speed, off_speed : float
        Tooth-pass frequencies that agree; that are off what the program gives [share].
    """

    least_belief: dict[VerdictKind, float] = field(default_factory=_limits)
    finding_belief: float = 0.8
    raised_belief: float = 0.9
    sure_position: float = 0.6
    repeat_s: float = 60.0
    other_cause: float = 2.5
    same_share: float = 0.3
    read_early_mm: float = 0.3
    load_low: float = 0.5
    load_high: float = 1.6
    load_contacts: int = 3
    load_at_once: float = 2.5
    same_speed: float = 0.02
    off_speed: float = 0.03


# Cues said at any time: what cannot wait for a sure position.
ALWAYS = ("contact", "no contact", "cutting stopped", "cutting goes on", "still cutting")
HOLES = ("drilling", "spot drilling", "reaming", "tapping")
# Findings that a drill draws while its point goes in: it squeals, and grows louder.
OF_A_POINT = ("chatter", "sound changed")
EARLY_WAYS = ("plunge", "ramp", "drilling", "spot drilling", "reaming", "tapping")
IN_RAISED = ("contact", "no contact")
# What shows that something changed, or that it did not after all.
IN_REPEAT = ("before its line", "cutting stopped", "cutting goes on", "still cutting")
