"""Flags that only the whole run shows: raised when it was heard again, beside those raised at the time."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import takewhile

from listen.advise.flags import Flags
from listen.advise.policy import Policy
from listen.followed import Verdict, VerdictKind
from listen.timeline import Timeline
from listen.told import Flag

AFTERWARDS = "Found when the run was heard again, not at the time."
NEAR_S = 3.0  # an unexpected contact flagged this near was flagged


def flags_afterwards(
    timeline: Timeline, verdicts: Sequence[Verdict], told: Sequence[Flag], rate: int
) -> tuple[Flag, ...]:
    """What the verdicts of the whole run ask for, less what was told while it ran.

    Parameters
    ----------
    timeline : Timeline
    verdicts : sequence of Verdict
        The refined ones.
    told : sequence of Flag
        As raised at the time; they stay, whether or not the verdicts bear them out.
    rate : int
        [Hz]
    """
    placed = sorted((replace(verdict, called_at=_over(verdict)) for verdict in verdicts), key=_begun)
    flags = Flags(timeline, rate, policy=Policy())
    found: list[Flag] = []
    for index, verdict in enumerate(placed):
        raised = [said for said in flags.take(verdict) if isinstance(said, Flag)]
        of_verdicts = [flag for flag in raised if flag.kind in tuple(VerdictKind)]
        found += [flag for flag in of_verdicts if not _was_told(flag, _row(placed, index), told, rate)]
    return tuple(replace(flag, text=f"{flag.text} {AFTERWARDS}") for flag in found)


def _begun(verdict: Verdict) -> int:
    for at in (verdict.heard_onset, verdict.expected_onset):
        if at is not None:
            return at
    return verdict.called_at


def _over(verdict: Verdict) -> int:
    """When the contact was over, as far as it can be said [samples]."""
    for at in (verdict.heard_offset, verdict.expected_offset):
        if at is not None:
            return min(at, verdict.called_at)
    return verdict.called_at


def _row(verdicts: Sequence[Verdict], index: int) -> set[int | None]:
    """The contact, and those beside it in which nothing was heard: they have one cause."""
    before = verdicts[:index][::-1] if _is_silent(verdicts[index]) else ()
    silent = (*takewhile(_is_silent, before), *takewhile(_is_silent, verdicts[index + 1 :]))
    return {verdicts[index].contact, *(verdict.contact for verdict in silent)}


def _is_silent(verdict: Verdict) -> bool:
    return verdict.heard_onset is None


def _was_told(flag: Flag, row: set[int | None], told: Sequence[Flag], rate: int) -> bool:
    of_verdicts = [one for one in told if one.kind in tuple(VerdictKind)]
    if flag.contact is None:
        near = NEAR_S * rate
        return any(one.kind == flag.kind and abs(one.at - flag.at) <= near for one in of_verdicts)
    return any(one.contact in row for one in of_verdicts if one.contact is not None)
