"""From what was decided, in order, to the tables of a run."""

from collections.abc import Iterable, Sequence

import numpy as np

from listen.contact import Contact
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.record.run import LiveCall, RunContact, RunHold, Stretch
from listen.states import Event, Standing
from listen.timeline import HoldPoint, Timeline


def confirmed(events: Iterable[Event]) -> tuple[Event, ...]:
    """The events that stood, in the order in which they happened."""
    firm = (event for event in events if event.standing is Standing.CONFIRMED)
    return tuple(sorted(firm, key=lambda event: (event.at, event.decided_at)))


def contacts_of(
    timeline: Timeline | None, live: Sequence[Verdict], refined: Sequence[Verdict]
) -> tuple[RunContact, ...]:
    """The contact table: every expected contact, then what was heard without a contact line.

    Parameters
    ----------
    timeline : Timeline | None
        The sheet; without one every heard contact is unexpected.
    live, refined : sequence of Verdict
        As called at the time (the last call counts), and as known after the run. Where there
        are no refined ones, the live ones stand.
    """
    called = {verdict.contact: verdict for verdict in live if verdict.contact is not None}
    final = {verdict.contact: verdict for verdict in refined or live if verdict.contact is not None}
    expected = timeline.contacts if timeline else ()
    rows = [_expected(contact, final.get(contact.id), called.get(contact.id)) for contact in expected]
    extra = [verdict for verdict in refined or live if verdict.contact is None]
    calls = [verdict for verdict in live if verdict.contact is None]
    last = max((contact.id for contact in expected), default=0)
    rows += [_unexpected(last + i, verdict, calls) for i, verdict in enumerate(extra, start=1)]
    return tuple(rows)


def _stretch(onset: int | None, offset: int | None) -> Stretch | None:
    if onset is None:
        return None
    return Stretch(onset=max(0, onset), offset=max(0, onset, offset if offset is not None else onset))


def _call(verdict: Verdict | None) -> LiveCall | None:
    if verdict is None:
        return None
    return LiveCall(verdict=verdict.kind, called_at=verdict.called_at, probability=verdict.probability)


def _expected(contact: Contact, verdict: Verdict | None, called: Verdict | None) -> RunContact:
    return RunContact(
        id=contact.id,
        tool=contact.tool,
        line=contact.line,
        block=contact.block,
        expected=_stretch(verdict.expected_onset, verdict.expected_offset) if verdict else None,
        heard=_stretch(verdict.heard_onset, verdict.heard_offset) if verdict else None,
        verdict=verdict.kind if verdict else VerdictKind.CANNOT_TELL,
        strength=verdict.strength if verdict else Strength.CANNOT_TELL,
        probability=verdict.probability if verdict else 0.0,
        reveals=str(contact.reveals),
        early_by_mm=verdict.early_by_mm if verdict else None,
        witness=verdict.witness if verdict else "",
        live=_call(called),
        reason=verdict.reason if verdict else "the recording ended before it was followed this far",
    )


def _unexpected(number: int, verdict: Verdict, calls: Sequence[Verdict]) -> RunContact:
    near = [call for call in calls if _overlap(call, verdict)]
    return RunContact(
        id=number,
        tool=None,
        line=None,
        block=None,
        expected=None,
        heard=_stretch(verdict.heard_onset, verdict.heard_offset),
        verdict=verdict.kind,
        strength=verdict.strength,
        probability=verdict.probability,
        reveals="not by ear",
        early_by_mm=None,
        witness="",
        live=_call(near[0] if near else None),
        reason=verdict.reason,
    )


def _overlap(one: Verdict, other: Verdict) -> bool:
    if one.heard_onset is None or other.heard_onset is None:
        return False
    one_end = one.heard_offset or one.called_at
    other_end = other.heard_offset or other.called_at
    return one.heard_onset <= other_end and other.heard_onset <= one_end


def holds_of(timeline: Timeline | None, positions: Sequence[Position], rate: int) -> tuple[RunHold, ...]:
    """The hold points that the run reached, in the time of the recording."""
    if timeline is None or len(positions) < 2:
        return ()
    times = np.maximum.accumulate([position.program_time for position in positions])
    places = np.array([position.at for position in positions], dtype=float)
    reached = [hold for hold in timeline.holds if times[0] <= hold.from_s <= times[-1]]
    return tuple(_hold(hold, times, places) for hold in reached)


def _hold(hold: HoldPoint, times: np.ndarray, places: np.ndarray) -> RunHold:
    start, stop = np.interp([hold.from_s, hold.until_s], times, places)
    return RunHold(
        contact=hold.contact,
        line=hold.line,
        how=str(hold.how),
        start=round(float(start)),
        stop=round(float(stop)),
        travel_mm=hold.travel_mm,
        clear_mm=hold.clear_mm,
        time_to_press_s=hold.time_to_press_s,
    )


def thin(positions: Sequence[Position], rate: int) -> tuple[Position, ...]:
    """Positions where the line or the rate changes, and one a second between."""
    kept: list[Position] = []
    for position in positions:
        if not kept or _differs(kept[-1], position, rate):
            kept.append(position)
    return tuple(kept)


def _differs(last: Position, now: Position, rate: int) -> bool:
    return last.line != now.line or abs(last.rate - now.rate) > 0.005 or now.at - last.at >= rate
