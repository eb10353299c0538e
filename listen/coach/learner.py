"""What a learner's file of progress says about the person, and what hold tables should reckon with.

Conventions
-----------
Reactions are seconds. At the machine the learner's own travel counts too: what is left of it after the
machine's stopping way is a reaction like any other. Only slow presses matter, and they only lengthen.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from listen.coach.reaction import Reaction, reaction_of, travel_to_standstill_mm
from listen.errors import InputError
from listen.expect.stopping import SOUND_PATH_S, travel_after_press
from listen.job import Machine, Operator
from listen.lengths import feed_text, length_text

FEWEST_PRESSES = 6  # one round of the lesson
SLOWEST_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Learner:
    """One person, by the lessons.

    Attributes
    ----------
    thresholds_db : tuple of (day, dB)
        Of each listening test, oldest first.
    presses : Reaction
        All presses on the page.
    at_machine_s : tuple of float
        Reactions that the holds at the machine come to [s].
    """

    thresholds_db: tuple[tuple[str, float], ...]
    presses: Reaction
    at_machine_s: tuple[float, ...]

    @property
    def slow_s(self) -> float | None:
        """95th percentile on the page or at the machine, the slower one [s]; None from too few presses."""
        slow = [self.presses.slow_s] if self.presses.n >= FEWEST_PRESSES else []
        if len(self.at_machine_s) >= FEWEST_PRESSES:
            slow.append(float(np.percentile(self.at_machine_s, 95.0)))
        return max(slow, default=None)


def learner_of(progress: Mapping[str, Any], machine: Machine) -> Learner:
    """What the sessions of a file come to.

    Raises
    ------
    InputError
        If a session holds something that cannot be.
    """
    sessions = progress["sessions"]
    reactions = [s for one in _of(sessions, "hold") for s in _numbers(one, "reactions_s")]
    misses = [sum(_count(one, key) for one in _of(sessions, "hold")) for key in ("missed", "false")]
    return Learner(
        thresholds_db=tuple(
            (str(one.get("day", "")), _number(one, "threshold_db"))
            for one in _of(sessions, "name")
            if one.get("threshold_db") is not None
        ),
        presses=reaction_of(reactions, n_missed=misses[0], n_false=misses[1]),
        at_machine_s=tuple(_reaction_at_machine(one, machine) for one in _of(sessions, "machine")),
    )


def operator_of(learner: Learner) -> Operator:
    """The person as a job knows one; that of the hold tables where there are too few presses."""
    slow_s = learner.slow_s
    return Operator() if slow_s is None else Operator(reaction_s=round(slow_s, 3))


def operator_text(learner: Learner) -> str:
    """An operator file, named in a job by ``operator_from``."""
    return (
        "# From the listening lessons: 95 of 100 presses are quicker. It only lengthens hold tables.\n"
        f"[operator]\nreaction_s = {operator_of(learner).reaction_s:g}\n"
    )


def words_of(learner: Learner, machine: Machine, *, feed: float, unit: str = "mm") -> Iterator[str]:
    """What the file says, line by line; lengths in the unit of the job."""
    for day, level_db in learner.thresholds_db:
        yield f"{day}  names sounds from {level_db:+.1f} dB over the air on"
    presses = learner.presses
    yield (
        f"presses on the page: {presses.n}, median {presses.median_s:.2f} s, slow {presses.slow_s:.2f} s, "
        f"{presses.n_missed} missed, {presses.n_false} false"
        if presses.n
        else "presses on the page: none"
    )
    yield f"holds at the machine: {len(learner.at_machine_s)}"
    if learner.slow_s is None:
        yield f"hold tables stay as they are: {FEWEST_PRESSES} presses are needed to tell"
        return
    usual_s, own_s = Operator().expected_s, operator_of(learner).expected_s
    before_mm, after_mm = (travel_to_standstill_mm(feed, one, machine) for one in (usual_s, own_s))
    before, after, at = length_text(before_mm, unit, 1), length_text(after_mm, unit, 1), feed_text(feed, unit)
    yield (
        f"hold tables reckon with {own_s:.2f} s instead of {usual_s:.2f} s: "
        f"at {at} {after} instead of {before} from the sound to standstill"
        if after_mm > before_mm
        else f"hold tables stay as they are: {before} at {at}; faster never shortens them"
    )


def _reaction_at_machine(session: Mapping[str, Any], machine: Machine) -> float:
    travel_mm, feed = _number(session, "travel_mm"), _number(session, "feed")
    if not (feed > 0.0 and travel_mm >= 0.0):
        raise InputError(f"a hold at the machine needs a feed above 0 and a travel, got {session!r:.80}")
    speed = feed / 60.0
    rest = (travel_mm - travel_after_press(speed, machine)) / speed - SOUND_PATH_S
    return min(max(rest, 0.0), SLOWEST_S)


def _of(sessions: Sequence[Mapping[str, Any]], lesson: str) -> list[Mapping[str, Any]]:
    return [one for one in sessions if one.get("lesson") == lesson]


def _number(session: Mapping[str, Any], key: str) -> float:
    value = session.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise InputError(f"a session of {session.get('lesson')!r} needs {key} as a number, got {value!r:.40}")
    return float(value)


def _numbers(session: Mapping[str, Any], key: str) -> list[float]:
    values = session.get(key)
    if not isinstance(values, list):
        raise InputError(f"a session of {session.get('lesson')!r} needs a list {key}, got {values!r:.40}")
    return [_number({key: value, "lesson": session.get("lesson")}, key) for value in values]


def _count(session: Mapping[str, Any], key: str) -> int:
    return int(_number(session, key))
