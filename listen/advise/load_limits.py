"""Measured load of each contact against the sheet's: flags where it is too high or too low."""

from math import nan, pi
from statistics import median

from listen.advise.policy import Policy
from listen.advise.words import place_of
from listen.contact import Contact
from listen.followed import Verdict
from listen.states import ContactLoad
from listen.timeline import Timeline
from listen.told import Flag

KEPT = 40
TOO_HIGH, TOO_LOW = "load too high", "load too low"
LOOK = {
    TOO_HIGH: "Too deep, too wide, dull, or another tool? Hold, and look at the tool and the cut.",
    TOO_LOW: "Less metal than expected, or a tool that does not cut? Look at the cut in the next hold.",
}


class LoadLimits:
    """Compares what each contact drew with what the sheet expects.

    The sheet's load may be off by the same factor everywhere: material, wear, override, and a
    current has another unit. So once there are a few contacts each is held against the sheet times
    the median factor of the others. Before that only a load in percent far above the sheet counts.

    Parameters
    ----------
    timeline : Timeline | None
    policy : Policy
    """

    def __init__(self, timeline: Timeline | None, *, policy: Policy) -> None:
        self._policy = policy
        self._contacts = {one.id: one for one in timeline.contacts} if timeline else {}
        self._loads: list[ContactLoad] = []
        self._verdicts: list[Verdict] = []
        self._factors: list[float] = []

    def load(self, load: ContactLoad) -> tuple[Flag, ...]:
        """Take what a contact drew."""
        self._loads = [*self._loads[-KEPT:], load]
        return self._compare(load.decided_at)

    def verdict(self, verdict: Verdict) -> tuple[Flag, ...]:
        """Take what became of a contact; one that is over can be compared."""
        if verdict.heard_onset is None or verdict.heard_offset is None or verdict.contact is None:
            return ()
        self._verdicts = [*self._verdicts[-KEPT:], verdict]
        return self._compare(verdict.called_at)

    def _compare(self, now: int) -> tuple[Flag, ...]:
        """Flags of those contacts that have now both a verdict and a load."""
        flags: list[Flag] = []
        for verdict in list(self._verdicts):
            load = next((one for one in self._loads if _same(one, verdict)), None)
            if load is None:
                continue
            self._verdicts.remove(verdict)
            self._loads.remove(load)
            flags += self._judge(self._contacts.get(verdict.contact or 0), load, now)
        return tuple(flags)

    def _judge(self, contact: Contact | None, load: ContactLoad, now: int) -> tuple[Flag, ...]:
        expected = None if contact is None else _expected(contact, load.kind)
        if contact is None or expected is None:
            return ()
        factor = load.rise / expected
        share = self._share(factor, load.kind)
        self._factors = [*self._factors[-KEPT:], factor]
        if share is None or self._policy.load_low <= share <= self._policy.load_high:
            return ()
        kind = TOO_HIGH if share > 1.0 else TOO_LOW
        said = f"{100.0 * share:.0f} % of what is expected"
        text = f"{kind.capitalize()}: {place_of(contact)}, {said}. {LOOK[kind]}"
        return (Flag(at=now, kind=kind, contact=contact.id, text=text),)

    def _share(self, factor: float, kind: str) -> float | None:
        """Measured as a share of what is expected, None where that cannot be told yet."""
        if len(self._factors) >= self._policy.load_contacts:
            return factor / median(self._factors)
        at_once = kind == "load_percent" and factor > self._policy.load_at_once
        return factor if at_once else None


def _expected(contact: Contact, kind: str) -> float | None:
    """What the sheet gives; a current goes with the percent. NaN is not known."""
    value = contact.load_percent
    if kind == "power_w":
        value = contact.power_w
    elif kind == "torque_nm":
        value = (
            contact.power_w * 60.0 / (2.0 * pi * contact.spindle_rpm) if contact.spindle_rpm > 0.0 else nan
        )
    return value if value > 0.0 else None


def _same(load: ContactLoad, verdict: Verdict) -> bool:
    """Whether the two overlap by more than half of the shorter."""
    onset, offset = verdict.heard_onset, verdict.heard_offset
    if onset is None or offset is None:
        return False
    shared = min(load.stop, offset) - max(load.start, onset)
    return shared > 0.5 * min(load.stop - load.start, offset - onset)
