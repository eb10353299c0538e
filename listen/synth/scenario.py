"""A run of a program as sound: the timeline, the operator's doings, one machine, one room."""

import dataclasses
import itertools

import numpy as np

from listen.contact import Contact
from listen.spans import SpanKind
from listen.synth.force import Cut
from listen.synth.made import Made
from listen.synth.plan import Bump, Move, Plan, PlannedContact
from listen.synth.render import render
from listen.synth.room import Room
from listen.synth.script import Fault, Script, TimeMap, changes_of_spindle, map_time, override_at
from listen.synth.sound import Values
from listen.synth.voice import ToolVoice, Voice
from listen.timeline import Timeline

FORCE_EXPONENT = 0.75  # of the override: 10 % is 15 dB less force
HOLD_REVOLUTIONS = 4.0  # in which a standing feed stops making chips
MAX_MOVES = 4000
RUBBING_SHARE = 0.05  # of the chip that is left where an edge slides more than it cuts
LOUDER_DB = {"dull": 3.0, "rubbing": -10.0}


def synthesise(
    timeline: Timeline,
    *,
    script: Script,
    voice: Voice,
    room: Room,
    rate: int,
    rng: np.random.Generator,
) -> Made:
    """The sound of a run of this program, and exactly what happened in it.

    Parameters
    ----------
    timeline : Timeline
    script : Script
    voice : Voice
        Its tools are taken in order for the program's tools, over again where there are fewer.
    room : Room
    rate : int
        Sample rate [Hz].
    rng : Generator

    Returns
    -------
    Made
        The truth's contacts carry the ids of the timeline; one that was held in the metal stands there twice.
        `truth.missing` names those that were left out, `truth.program_at` and `program_s` the true time map.
    """
    time_map = map_time(timeline, script)
    tools, index_of = _tools_of(timeline, voice, script)
    faults = {fault.contact: fault for fault in script.faults}
    contacts = [
        piece
        for contact in timeline.contacts
        for piece in _pieces(
            contact, faults.get(contact.id), index_of[contact.id], timeline, script, time_map
        )
    ]
    times, speeds, spans = _spindle(timeline, time_map, voice, index_of)
    plan = Plan(
        duration_s=float(time_map.clip_s[-1]),
        contacts=tuple(contacts),
        tools=spans,
        spindle_s=times,
        spindle_rpm=speeds,
        moves=_moves(timeline, time_map, voice),
        running=script.running,
        bumps=(*script.bumps, *_tool_changes(timeline, time_map, rng)),
        missing=tuple(fault.contact for fault in script.faults if fault.kind == "missing"),
        program_at_s=time_map.clip_s,
        program_s=time_map.program_s,
    )
    return render(rng, plan, dataclasses.replace(voice, tools=tools), room, rate)


def way_of(contact: Contact) -> str:
    """The way of cutting in the words of `force.WAYS`."""
    for word, way in (
        ("slot", "slot"),
        ("face", "face"),
        ("drill", "drill"),
        ("tap", "drill"),
        ("ream", "drill"),
        ("bor", "drill"),
        ("plunge", "plunge"),
        ("ramp", "plunge"),
    ):
        if word in contact.way:
            return way
    return "side"


def _tools_of(
    timeline: Timeline, voice: Voice, script: Script
) -> tuple[tuple[ToolVoice, ...], dict[int, int]]:
    """One tool voice for each way a tool cuts in the program, and which one each contact has."""
    numbers = sorted({contact.tool for contact in timeline.contacts})
    widest = {
        number: max(
            (c.radial_width_mm for c in timeline.contacts if c.tool == number and c.radial_width_mm > 0.0),
            default=10.0,
        )
        for number in numbers
    }
    changed = {f.contact: f.kind for f in script.faults if f.kind in ("broken tooth", "dull")}
    made: list[ToolVoice] = []
    known: dict[tuple[object, ...], int] = {}
    index_of = {}
    for contact in timeline.contacts:
        kept = voice.tools[numbers.index(contact.tool) % len(voice.tools)]
        cut = _cut_of(contact, kept.cut, widest[contact.tool], changed.get(contact.id, ""))
        key = (contact.tool, cut, contact.spindle_rpm)
        if key not in known:
            known[key] = len(made)
            rpm = abs(contact.spindle_rpm) or kept.rpm
            made.append(dataclasses.replace(kept, cut=cut, rpm=rpm, chatter_share=0.0))
        index_of[contact.id] = known[key]
    return tuple(made) or voice.tools, index_of


def _cut_of(contact: Contact, like: Cut, widest_mm: float, fault: str) -> Cut:
    """The contact's own cut, with what the timeline does not tell taken from the tool's voice."""
    way = way_of(contact)
    diameter = widest_mm if way == "slot" else max(1.2 * widest_mm, 1e-3)
    width = contact.radial_width_mm if contact.radial_width_mm > 0.0 else 0.3 * diameter
    flutes = contact.flutes if contact.flutes > 0 else 2
    axial = way in ("slot", "drill", "plunge")
    runout = tuple(like.runout[i % len(like.runout)] for i in range(flutes))
    if fault == "broken tooth":  # it cuts nothing, the one behind it twice as much
        runout = (-float(flutes), *runout[1:])
    return dataclasses.replace(
        like,
        way=way,
        diameter_mm=diameter,
        flutes=flutes,
        radial_ratio=1.0 if axial else float(np.clip(round(width / diameter, 3), 0.01, 1.0)),
        climb=bool(contact.climb_share > 0.5),
        runout=runout,
        edge_share=like.edge_share + (0.8 if fault == "dull" else 0.0),
        arc_in=False,
    )


def _pieces(
    contact: Contact, fault: Fault | None, tool: int, timeline: Timeline, script: Script, time_map: TimeMap
) -> list[PlannedContact]:
    """The contact in clip time: none where it is missing, more than one where it was held in the metal."""
    kind, amount = (fault.kind, fault.amount) if fault else ("", 0.0)
    if kind == "missing":
        return []
    start, stop = contact.start, contact.stop
    if kind == "early":
        start = max(0.0, start - amount)
    elif kind == "late":
        start = min(start + amount, stop - 0.05)
    elif kind == "half-way":
        stop = start + min(max(amount, 0.02), 1.0) * (stop - start)
    ramp_in = min(contact.ramp_in, 0.5 * (stop - start))
    ramp_out = 0.01 if kind == "half-way" else min(contact.ramp_out, 0.5 * (stop - start))
    edges = [start, *(at for at, _ in script.holds if start < at < stop), stop]
    return [
        _piece(
            contact,
            kind,
            amount,
            tool,
            timeline,
            script,
            time_map,
            (low, high),
            (ramp_in, ramp_out),
            (start, stop),
        )
        for low, high in itertools.pairwise(edges)
    ]


def _piece(
    contact: Contact,
    kind: str,
    amount: float,
    tool: int,
    timeline: Timeline,
    script: Script,
    time_map: TimeMap,
    within: tuple[float, float],
    ramps: tuple[float, float],
    whole: tuple[float, float],
) -> PlannedContact:
    """One stretch of a contact between holds; a standing feed stops making chips within a few turns."""
    low, high = within
    turn_s = 60.0 / max(abs(contact.spindle_rpm), 60.0)
    begins, ends = time_map.clip_last(low), time_map.clip_first(high)
    full = time_map.clip_first(whole[0] + ramps[0]) if low <= whole[0] else begins + HOLD_REVOLUTIONS * turn_s
    leaving = time_map.clip_last(whole[1] - ramps[1]) if high >= whole[1] else ends
    ends += 0.0 if high >= whole[1] else HOLD_REVOLUTIONS * turn_s
    full = min(max(full, begins), ends)
    leaving = min(max(leaving, full), ends)
    louder = {"heavier": amount, "lighter": -amount, **LOUDER_DB}.get(kind, 0.0)
    percent = override_at(script.feed_override, 0.5 * (begins + ends), timeline.feed_override)
    lighter = 20.0 * FORCE_EXPONENT * np.log10(max(percent, 1.0) / 100.0)
    return PlannedContact(
        start_s=begins,
        full_s=full,
        leaving_s=leaving,
        stop_s=max(ends, begins + 1e-3),
        tool=tool,
        snr_db=script.snr_db + contact.strength_db + louder + float(lighter),
        regenerative=amount if kind == "chatter" else 0.0,
        feed_share=min(percent, 120.0) / 100.0 * (RUBBING_SHARE if kind == "rubbing" else 1.0),
        contact=contact.id,
        fault=kind,
        course=_course(script, timeline, begins, ends),
    )


def _course(
    script: Script, timeline: Timeline, begins: float, ends: float
) -> tuple[tuple[float, float], ...]:
    """Force over its value at the middle, at the steps of the feed override within a contact [clip s, dB]."""
    inside = [(at, percent) for at, percent in script.feed_override if begins < at < ends]
    if not inside:
        return ()
    middle = override_at(script.feed_override, 0.5 * (begins + ends), timeline.feed_override)
    first = override_at(script.feed_override, begins, timeline.feed_override)
    steps = [(begins, first), *inside]
    return tuple(
        (at, float(20.0 * FORCE_EXPONENT * np.log10(max(percent, 1.0) / max(middle, 1.0))))
        for at, percent in steps
    )


def _spindle(
    timeline: Timeline, time_map: TimeMap, voice: Voice, index_of: dict[int, int]
) -> tuple[Values, Values, tuple[tuple[float, float, int], ...]]:
    """Speed over clip time, and the stretches at speed with the tool voice of each."""
    ends = float(time_map.clip_s[-1])
    changes = changes_of_spindle(timeline.spans)
    edges = [0.0, *(float(timeline.spans.stop_s[i]) for i in changes), timeline.duration + 1e-6]
    times, speeds, stretches = [0.0], [0.0], []
    for number, (low, high) in enumerate(itertools.pairwise(edges)):
        inside = [c for c in timeline.contacts if low - 1e-6 <= c.start < high]
        rpm = abs(inside[0].spindle_rpm) if inside else 0.0
        begins = time_map.clip_last(low) if number else 0.0
        before = float(timeline.spans.start_s[changes[number - 1]]) if number else 0.0
        starts = min(time_map.clip_last(before), begins) if number else 0.0
        gone = begins if begins - starts > 0.2 else starts + min(1.0, voice.run_up_s)
        times += [max(starts, times[-1]), max(gone, times[-1] + 1e-3)]
        speeds += [speeds[-1] if number else rpm, rpm]
        if inside:
            stretches.append((times[-1], min(ends, time_map.clip_first(high)), index_of[inside[0].id]))
    return np.array([*times, ends + 1.0]), np.array([*speeds, speeds[-1]]), tuple(stretches)


def _moves(timeline: Timeline, time_map: TimeMap, voice: Voice) -> tuple[Move, ...]:
    """The axes' own sound: rapids, and feeds much fainter."""
    made: list[Move] = []
    for index in range(len(timeline.spans)):
        kind = int(timeline.spans.kind[index])
        if kind not in (SpanKind.RAPID, SpanKind.FEED) or len(made) >= MAX_MOVES:
            continue
        start = time_map.clip_last(float(timeline.spans.start_s[index]))
        stop = time_map.clip_first(float(timeline.spans.stop_s[index]))
        if stop - start > 0.03:
            share = timeline.rapid_override / 100.0 if kind == SpanKind.RAPID else 0.05
            made.append(Move(start_s=start, stop_s=stop, share=max(share, 0.01), level_db=voice.drive_db))
    return tuple(made)


def _tool_changes(timeline: Timeline, time_map: TimeMap, rng: np.random.Generator) -> tuple[Bump, ...]:
    """Clatter in each tool change."""
    spans = timeline.spans
    return tuple(
        Bump(
            kind="clatter",
            at_s=time_map.clip_last(float(spans.start_s[i]))
            + 0.3 * float(spans.stop_s[i] - spans.start_s[i]),
            level_db=float(rng.uniform(5.0, 25.0)),
        )
        for i in range(len(spans))
        if int(spans.kind[i]) == SpanKind.TOOL_CHANGE
    )
