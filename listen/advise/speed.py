"""A spindle speed or a number of flutes that is not the program's, by the tooth-pass frequency heard."""

from listen.advise.policy import HOLES, Policy
from listen.advise.words import number_word
from listen.contact import Contact
from listen.followed import Verdict
from listen.states import ContactSound
from listen.told import Flag

MOST_KEPT = 16
KIND = "tooth pass off"


class WrongSpeed:
    """Holds what each contact sang against what its tooth-pass frequency should be.

    A tool is flagged once, when two of its contacts agree on another frequency.

    Parameters
    ----------
    rate : int
        Sample rate [Hz].
    policy : Policy
    """

    def __init__(self, rate: int, policy: Policy) -> None:
        self._rate = rate
        self._policy = policy
        self._sounds: list[ContactSound] = []
        self._off: dict[int, tuple[Contact, float]] = {}  # last odd one, by tool
        self._told: set[int] = set()

    def hear(self, sound: ContactSound) -> tuple[Flag, ...]:
        """Keep how a contact sounded until it is known which one it was."""
        if sound.tooth_pass_hz > 0.0:  # false for NaN
            self._sounds = [*self._sounds, sound][-MOST_KEPT:]
        return ()

    def judge(self, verdict: Verdict, contact: Contact) -> tuple[Flag, ...]:
        """Take which contact was heard when."""
        heard_hz = self._heard_hz(verdict)
        if heard_hz is None or contact.tool in self._told or not _sings(contact):
            return ()
        if not self._is_off(heard_hz, contact):
            self._off.pop(contact.tool, None)
            return ()
        before = self._off.get(contact.tool)
        self._off[contact.tool] = (contact, heard_hz)
        if before is None or not self._same(before, (contact, heard_hz)):
            return ()
        self._told.add(contact.tool)
        text = _text(before[0], contact, heard_hz)
        return (Flag(at=verdict.called_at, kind=KIND, contact=contact.id, text=text),)

    def _heard_hz(self, verdict: Verdict) -> float | None:
        start, stop = verdict.heard_onset, verdict.heard_offset
        if start is None or stop is None:
            return None
        for sound in self._sounds:
            if min(stop, sound.stop) - max(start, sound.start) > 0.5 * (stop - start):
                return sound.tooth_pass_hz
        return None

    def _is_off(self, heard_hz: float, contact: Contact) -> bool:
        """Not the tooth-pass frequency, none of its harmonics, and not the turning of the spindle."""
        share = heard_hz / contact.tooth_pass_hz
        harmonic = max(round(share), 1)
        turns = share * max(contact.flutes, 1)
        limit = self._policy.off_speed
        return abs(share / harmonic - 1.0) > limit and abs(turns - 1.0) > limit

    def _same(self, one: tuple[Contact, float], other: tuple[Contact, float]) -> bool:
        ratio = (one[1] / one[0].tooth_pass_hz) / (other[1] / other[0].tooth_pass_hz)
        return abs(ratio - 1.0) <= self._policy.same_speed


def _sings(contact: Contact) -> bool:
    """Whether teeth come and go: in a hole all lips cut all the time, and another thing stands out."""
    return contact.tooth_pass_hz > 0.0 and contact.way not in HOLES


def _text(before: Contact, contact: Contact, heard_hz: float) -> str:
    rpm = 60.0 * heard_hz / max(contact.flutes, 1)
    flutes = 60.0 * heard_hz / max(contact.spindle_rpm, 1.0)
    near = round(flutes)
    is_whole = near >= 1 and abs(flutes - near) < 0.02 * near
    guess = f" or {number_word(near)} flutes" if is_whole else ""
    return (
        f"Tooth-pass frequency of T{contact.tool} says {rpm:.0f} rpm{guess}: {heard_hz:.0f} Hz in contacts "
        f"{before.id} and {contact.id}, expected {contact.tooth_pass_hz:.0f} Hz "
        f"({contact.spindle_rpm:.0f} rpm, {number_word(contact.flutes)} flutes). "
        "Check spindle speed, its override and the tool."
    )
