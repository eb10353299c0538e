"""Contacts that belong together."""

from dataclasses import replace

from listen.contact import Contact, Pass
from listen.expect.contacts import Cut
from listen.lengths import MM_PER, MORE_DIGITS

LEVEL_MM = 0.02
_HOLES = ("drilling", "spot drilling", "reaming", "tapping")


def passes_of(cuts: list[Cut], unit: str = "mm") -> tuple[list[Cut], tuple[Pass, ...]]:
    """Group contacts by tool, way and level, and tell each contact its pass; levels named in `unit`."""
    groups: list[list[Cut]] = []
    for cut in cuts:
        if groups and _belongs(cut, groups[-1][-1]):
            groups[-1].append(cut)
        else:
            groups.append([cut])
    told: list[Cut] = []
    passes: list[Pass] = []
    for number, group in enumerate(groups, start=1):
        told += [replace(cut, contact=replace(cut.contact, pass_id=number)) for cut in group]
        passes.append(_named(number, [cut.contact for cut in group], _level(group, unit)))
    return told, tuple(passes)


def _belongs(cut: Cut, last: Cut) -> bool:
    a, b = last.contact, cut.contact
    if a.tool != b.tool or last.offset != cut.offset or _family(a) != _family(b):
        return False
    if _family(a) == "holes" or not (_is_level(last) and _is_level(cut)):
        return True
    return abs(last.lowest - cut.lowest) <= LEVEL_MM


def _is_level(cut: Cut) -> bool:
    return abs(cut.contact.place[2] - cut.lowest) <= LEVEL_MM


def _family(contact: Contact) -> str:
    if contact.way in _HOLES:
        return "holes"
    return contact.way if contact.way in ("rapid", "face", "chamfer") else "cut"


def _level(group: list[Cut], unit: str) -> str:
    """How deep a pass goes, from its shallowest contact to its deepest where they differ."""
    lows = [cut.lowest for cut in group]
    high, low = (
        f"Z{round(z / MM_PER[unit], 3 + MORE_DIGITS[unit]) + 0.0:.10g}" for z in (max(lows), min(lows))
    )
    return f"at {low}" if max(lows) - min(lows) <= LEVEL_MM else f"from {high} to {low}"


def _named(number: int, contacts: list[Contact], level: str) -> Pass:
    first = contacts[0]
    ways = sorted({contact.way for contact in contacts}, key=[c.way for c in contacts].index)
    places = {(round(c.place[0], 2), round(c.place[1], 2)) for c in contacts}
    if first.way in _HOLES:
        name = f"{first.way}, {len(places)} {'hole' if len(places) == 1 else 'holes'}"
    else:
        name = f"{' and '.join(ways[:2])} {level}"
    ids = tuple(contact.id for contact in contacts)
    return Pass(id=number, tool=first.tool, name=name, contact_ids=ids)
