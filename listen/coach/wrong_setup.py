"""A wrong work zero: what it changes of each contact, and what it leaves as it was.

Conventions
-----------
A work zero that lies off by a length leaves the program as it is and moves the stock, seen from
work coordinates, by the same length the other way. Levels are differences of cutting force [dB].
"""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from listen.contact import Contact
from listen.errors import InputError
from listen.expect.strength import TELLING_DB
from listen.job import Box, Cylinder, Job, Shape
from listen.lengths import MM_PER, length_text
from listen.spans import SpanKind
from listen.timeline import Timeline

AXES = "xyz"
MOST_MM = 50.0
TELLING_S = 0.1  # a shift in time that a listener can notice beside the listing


def read_offset(text: str, unit: str = "mm") -> tuple[float, float, float]:
    """A wrong zero as a person writes it in the unit of the job [mm].

    Examples
    --------
    >>> read_offset("z -2"), read_offset("z -.5", "inch")
    ((0.0, 0.0, -2.0), (0.0, 0.0, -12.7))
    """
    axis, number = text.strip().lower()[:1], text.strip()[1:].strip(" =")
    try:
        by = float(number) * MM_PER[unit]
    except ValueError:
        by = math.nan
    if axis not in AXES or not axis or not 0.0 < abs(by) <= MOST_MM:
        most = length_text(MOST_MM, unit, 0)
        raise InputError(f"a wrong zero is written as 'z -2', up to {most} either way, got {text!r}")
    x, y, z = (by if axis == name else 0.0 for name in AXES)
    return x, y, z


def with_wrong_zero(job: Job, off: tuple[float, float, float]) -> Job:
    """The job as it runs when every work zero lies off by so much [mm].

    Raises
    ------
    InputError
        For stock that is no box or cylinder.
    """
    away = (-off[0], -off[1], -off[2])
    setups = tuple(replace(setup, stock=_moved(setup.stock, away)) for setup in job.setups)
    keep_outs = tuple(replace(one, box=_moved(one.box, away)) for one in job.keep_outs)
    return replace(job, setups=setups, keep_outs=keep_outs)


def _moved(shape: Shape, by: tuple[float, float, float]) -> Any:
    x, y, z = by
    if isinstance(shape, Box):
        (x0, y0, z0), (x1, y1, z1) = shape.low, shape.high
        return Box(low=(x0 + x, y0 + y, z0 + z), high=(x1 + x, y1 + y, z1 + z))
    if isinstance(shape, Cylinder):
        centre = (shape.centre[0] + x, shape.centre[1] + y)
        return replace(shape, centre=centre, low_z=shape.low_z + z, high_z=shape.high_z + z)
    raise InputError("a wrong zero is previewed with stock as a box or cylinder; this job's is a file")


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What a wrong zero does to one contact.

    Attributes
    ----------
    block : str
        The contact line.
    sooner_s : float
        By how much it starts sooner at the override in force [s]; NaN where only one set-up has it.
    louder_db : float
        By how much its force rises [dB]; NaN where not known.
    words : str
    """

    block: str
    sooner_s: float
    louder_db: float
    words: str

    @property
    def tells(self) -> bool:
        """True where somebody who listens and follows the listing could notice it."""
        return not (abs(self.sooner_s) < TELLING_S and not abs(self.louder_db) >= TELLING_DB)


def effects_of(right: Timeline, wrong: Timeline) -> tuple[Effect, ...]:
    """What the wrong set-up does to each contact, in program order.

    The program runs alike in both, so contacts that overlap in program time are the same.
    """
    pace = right.feed_override / 100.0
    pairs = [(one, _overlapping(one, wrong)) for one in right.contacts]
    told = [(one.start, _effect(one, other, pace, wrong)) for one, other in pairs]
    met = {other.id for _, other in pairs if other}
    told += [(other.start, _unexpected(other, wrong)) for other in wrong.contacts if other.id not in met]
    return tuple(effect for _, effect in sorted(told, key=lambda item: item[0]))


def louder_everywhere_db(right: Timeline, wrong: Timeline) -> float:
    """Force of the wrong program's strongest contact over the right one's [dB], 0 where not known."""
    known = [
        louder + one.strength_db - other.strength_db
        for one in right.contacts
        if (other := _overlapping(one, wrong)) and math.isfinite(louder := louder_db(one, other))
    ]
    return float(np.median(known)) if known else 0.0


def _overlapping(one: Contact, timeline: Timeline) -> Contact | None:
    """The contact that shares most program time with one; None where none does."""
    shared = [(min(one.stop, c.stop) - max(one.start, c.start), -c.id, c) for c in timeline.contacts]
    most = max(shared, default=None)
    return most[2] if most and most[0] > 0.0 else None


def louder_db(one: Contact, other: Contact) -> float:
    """Force of another contact over that of one at the same speed [dB]; NaN where nothing tells it."""
    for name in ("power_w", "axial_depth_mm"):
        before, after = getattr(one, name), getattr(other, name)
        if before > 0.0 and after > 0.0:
            return float(20.0 * math.log10(after / before))
    return math.nan


def _effect(one: Contact, other: Contact | None, pace: float, wrong: Timeline) -> Effect:
    if other is None:
        words = "does not come: the tool cuts air"
        return Effect(block=one.block, sooner_s=math.nan, louder_db=math.nan, words=words)
    sooner, louder = (one.start - other.start) / pace, louder_db(one, other)
    words = _words(sooner, louder) + (_crash(other, wrong) if other.line != one.line else "")
    return Effect(block=one.block, sooner_s=sooner, louder_db=louder, words=words)


def _unexpected(other: Contact, wrong: Timeline) -> Effect:
    words = f"touches where nothing should touch{_crash(other, wrong)}"
    return Effect(block=other.block, sooner_s=math.nan, louder_db=math.nan, words=words)


def _crash(contact: Contact, timeline: Timeline) -> str:
    spans = timeline.spans
    index = min(int(np.searchsorted(spans.stop_s, contact.start, side="right")), len(spans) - 1)
    is_rapid = int(spans.kind[index]) == SpanKind.RAPID
    return f", in the rapid of {contact.block}: at the machine this is a crash" if is_rapid else ""


def _words(sooner_s: float, louder: float) -> str:
    when = "starts on time"
    if abs(sooner_s) >= TELLING_S:
        when = f"starts {abs(sooner_s):.2f} s {'sooner' if sooner_s > 0.0 else 'later'}"
    if not math.isfinite(louder) or abs(louder) < 0.5:
        return f"{when}, as loud as before"
    how = f"{abs(louder):.1f} dB {'louder' if louder > 0.0 else 'softer'}"
    return f"{when}, {how}{'' if abs(louder) >= TELLING_DB else ', which few would notice'}"


def summary_of(effects: tuple[Effect, ...]) -> str:
    """What a newcomer takes along, in one sentence."""
    by_time = sum(not abs(one.sooner_s) < TELLING_S for one in effects)
    by_level = sum(one.tells for one in effects) - by_time
    mute = len(effects) - by_time - by_level
    return (
        f"Of {len(effects)} contacts {by_time} tell it by when they come, "
        f"{by_level} only by how loud they are, {mute} not at all: measure the zero, do not listen for it."
    )
