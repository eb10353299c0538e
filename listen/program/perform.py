"""What one line makes the control do, in the order of RS-274/NGC.

References
----------
NISTIR 6556, sections 3.4 (modal groups) and 3.8 (order of execution).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from listen.job import MM_PER_INCH
from listen.program.control import AXES, Control, Cycle
from listen.program.cycles import CYCLES, cycle
from listen.program.expression import Wrong, whole
from listen.program.frame import Frame, plane_axes
from listen.program.motion import arc, home, not_judged, straight, target, to_machine
from listen.program.moves import ToolUse
from listen.program.offsets import (
    axis_shift,
    end_shift,
    local_shift,
    mirror,
    restore_shift,
    rotate,
    scale,
    set_offsets,
    unmirror,
    unscale,
)
from listen.program.words import Word, value_of
from listen.timeline import SpanKind

G_GROUPS: dict[str, tuple[int, ...]] = {
    "motion": (0, 10, 20, 30, 330, 331, *(10 * code for code in CYCLES)),
    "cycle off": (800,),  # beside G0 in the report; common programs write G80 G0 Z50
    "plane": (170, 180, 190),
    "distance": (900, 910),
    "arc distance": (901, 911),
    "feed mode": (930, 940, 950),
    "units": (200, 210),
    "cutter compensation": (400, 410, 420),
    "tool length": (430, 440, 490),
    "return": (980, 990),
    "work offset": (540, 541, 550, 560, 570, 580, 590, 591, 592, 593),
    "path": (610, 611, 640),
    "spindle mode": (960, 970),
    "scaling": (500, 510, 501, 511),
    "rotation": (680, 690),
    "polar": (150, 160),
    "non-modal": (40, 100, 280, 300, 520, 920, 921, 922, 923),
    "machine": (530,),
    "exact": (90,),
}
GROUP_OF = {code: group for group, codes in G_GROUPS.items() for code in codes}
MOTION_ONLY = frozenset(G_GROUPS["motion"])
NOT_FOLLOWED = {
    310: "G31 moves until it is touched (probing)",
    360: "G36 measures a tool or a place",
    370: "G37 measures a tool's length",
    380: "G38 moves until it is touched (probing)",
    382: "G38.2 moves until it is touched (probing)",
    383: "G38.3 moves until it is touched (probing)",
    384: "G38.4 moves until it is released (probing)",
    385: "G38.5 moves until it is released (probing)",
    650: "G65 calls a macro that is in the control",
    660: "G66 calls a macro that is in the control",
    661: "G66.1 calls a macro that is in the control",
    434: "G43.4 turns the tool with the rotary axes (dynamic offset)",
    435: "G43.5 turns the tool with the rotary axes (dynamic offset)",
    542: "G54.2 moves the work offset with the rotary axes (dynamic offset)",
    682: "G68.2 tilts the work plane",
    531: "G53.1 turns the rotary axes",
    881: "G88.1 tilts the work plane",
}
DYNAMIC_ON = {660: 670, 661: 670, 434: 490, 435: 490, 542: 540, 682: 690}
PASSED_OVER = {51, 80, 81, 187, 670, 50, 641, 642}
MOST = 1e9
AXIS_USERS = (100, 280, 300, 520, 920, 510, 511, 500, 501, 680)


@dataclass(slots=True)
class Block:
    """The words of one line, sorted."""

    codes: dict[str, int] = field(default_factory=dict)
    g: set[int] = field(default_factory=set)
    m: list[int] = field(default_factory=list)
    numbers: dict[str, float] = field(default_factory=dict)
    wholes: set[str] = field(default_factory=set)
    has_speed: bool = False

    def used(self, *letters: str) -> None:
        """Take words away that were understood."""
        for letter in letters:
            self.numbers.pop(letter, None)


def sort_words(control: Control, words: tuple[Word, ...]) -> Block:
    """Numbers by letter, codes by group; two of one group are an error."""
    block = Block()
    for word in words:
        letter = word[0]
        value = value_of(word, control.variables)
        if not abs(value) <= MOST:
            raise Wrong(f"word {letter}: {value:g} is beyond what any machine has; is a point missing?")
        if letter == "G":
            _sort_code(block, whole(value * 10.0, "ten times a G word"))
        elif letter == "M":
            block.m.append(whole(value, "an M word"))
        elif letter in block.numbers:
            raise Wrong(f"word {letter} stands twice on the line; which one counts?")
        else:
            block.numbers[letter] = value
            if word[2]:
                block.wholes.add(letter)
    return block


def _sort_code(block: Block, code: int) -> None:
    group = GROUP_OF.get(code)
    if group is not None:
        before = block.codes.get(group)
        if before is not None and before != code:
            raise Wrong(f"{g_name(before)} and {g_name(code)} are of one group ({group}); only one can count")
        block.codes[group] = code
    elif code not in PASSED_OVER and code not in NOT_FOLLOWED:
        raise Wrong(
            f"word {g_name(code)} is not known here and could move the tool; take it out or ask its meaning"
        )
    block.g.add(code)


def g_name(code: int) -> str:
    """G word as written: 591 is "G59.1"."""
    return f"G{code // 10}" if code % 10 == 0 else f"G{code // 10}.{code % 10}"


def perform(control: Control, words: tuple[Word, ...]) -> str:
    """Carry out one line; gives "end" where the program ends, else ""."""
    block = sort_words(control, words)
    if block.g and not block.g.isdisjoint(NOT_FOLLOWED):
        return _not_followed(control, block)
    _settings(control, block)
    if block.m or not block.numbers.keys().isdisjoint("ST"):
        _tool_and_spindle(control, block)
    if not block.g <= MOTION_ONLY:
        _dwell(control, block)
        _modes(control, block)
    if control.open_use is not None or not control.moved:
        control.say(_stated(block))
    _motion(control, block)
    _left_over(control, block)
    return _stop(control, block) if block.m else ""


def _stated(block: Block) -> set[str]:
    """What the line says of the state, by group of codes."""
    words = set(block.codes)
    if 3 in block.m or 4 in block.m or 13 in block.m or 14 in block.m:
        words.add("spindle")
    if block.has_speed:
        words.add("speed")
    return words


def _not_followed(control: Control, block: Block) -> str:
    code = next(code for code in block.g if code in NOT_FOLLOWED)
    _settings(control, block)
    if code in DYNAMIC_ON:
        control.dynamic = NOT_FOLLOWED[code]
    if code in (434, 435) and "H" in block.numbers:
        control.modal.length_offset = whole(block.numbers["H"], "H")
    not_judged(control, NOT_FOLLOWED[code])
    return ""


def _settings(control: Control, block: Block) -> None:
    """Feed mode, units, F and S."""
    modal, codes, numbers = control.modal, block.codes, block.numbers
    if "units" in codes:
        units = MM_PER_INCH if codes["units"] == 200 else 1.0
        if units != modal.units and modal.feed == modal.feed and "F" not in numbers and modal.feed_mode != 93:
            control.note("units change", "the feed in force is kept in mm/min across the change of units", "")
        modal.units = units
    if "feed mode" in codes:
        mode = codes["feed mode"] // 10
        modal.feed = math.nan if mode != modal.feed_mode else modal.feed
        modal.feed_mode = mode
    if "spindle mode" in codes:
        modal.surface_speed = codes["spindle mode"] == 960
    if "F" in numbers and 40 not in block.g:
        modal.feed = numbers.pop("F") * (1.0 if modal.feed_mode == 93 else modal.units)
        if not modal.feed >= 0.0:
            raise Wrong(f"word F: a feed cannot be negative, got {modal.feed:g}")
    elif modal.feed_mode == 93:
        modal.feed = math.nan


def _tool_and_spindle(control: Control, block: Block) -> None:
    modal, numbers = control.modal, block.numbers
    before = control.rpm
    if "S" in numbers and 40 not in block.g:
        modal.speed = numbers.pop("S")
        block.has_speed = True
        if not modal.speed >= 0.0:
            raise Wrong(f"word S: a speed cannot be negative, got {modal.speed:g}")
    if "T" in numbers:
        modal.next_tool = whole(numbers.pop("T"), "T")
        if modal.next_tool < 0:
            raise Wrong(f"word T: a tool number cannot be negative, got {modal.next_tool}")
    if 6 in block.m:
        _change_tool(control)
        before = 0.0
    _spindle_words(control, block.m)
    if control.rpm != before:
        control.pause(SpanKind.SPINDLE)
    _coolant_words(control, block.m)


def _change_tool(control: Control) -> None:
    modal = control.modal
    modal.tool = modal.next_tool
    modal.spindle = 0
    control.stated_for_tool = set()
    control.open_use = ToolUse(tool=modal.tool, line=control.line, file=control.file)
    by_hand = control.dialect.tool_change_by_hand
    control.pause(SpanKind.WAIT if by_hand else SpanKind.TOOL_CHANGE, 0.0 if by_hand else -1.0)
    if not control.dialect.tool_change_keeps_place:
        control.forget("Z")
    if control.dialect.length_offset_at_tool_call:
        modal.length_offset = modal.tool
        control.forget("Z")


def _spindle_words(control: Control, codes: list[int]) -> None:
    for code, direction in ((3, 1), (4, -1), (5, 0), (13, 1), (14, -1), (19, 0)):
        if code in codes:
            control.modal.spindle = direction
    if 29 in codes:
        control.modal.rigid_next = True


def _coolant_words(control: Control, codes: list[int]) -> None:
    if any(code in codes for code in (7, 8, 13, 14, 50, 51, 88)):
        control.modal.coolant = True
    if 9 in codes or 89 in codes:
        control.modal.coolant = False
    if 48 in codes or 49 in codes:
        control.modal.overrides = 48 in codes


def _dwell(control: Control, block: Block) -> None:
    if 40 not in block.g:
        return
    numbers = block.numbers
    seconds = 0.0
    if "P" in numbers:
        unit = control.dialect.dwell_unit
        seconds = numbers["P"] / (1000.0 if unit == "ms" else 1.0)
        if unit == "s" and seconds >= 100.0 and "P" in block.wholes:
            control.caution(
                "long dwell",
                f"G4 P{numbers['P']:g} is read as {seconds:g} seconds",
                'if the control takes P in milliseconds, set [machine] dwell_unit = "ms"',
            )
    elif "X" in numbers or "U" in numbers:
        seconds = numbers.get("X", numbers.get("U", 0.0))
    elif "F" in numbers:
        seconds = numbers["F"]
    elif "S" in numbers and control.rpm:
        seconds = 60.0 * numbers["S"] / abs(control.rpm)
    if not 0.0 <= seconds < 1e6:
        raise Wrong(f"word G4: a dwell must be 0 to a million seconds, got {seconds:g}")
    block.used("P", "X", "U", "F", "S")
    control.pause(SpanKind.DWELL, seconds)


def _modes(control: Control, block: Block) -> None:
    modal, codes = control.modal, block.codes
    if "plane" in codes:
        if modal.compensation != 40 and {170: 2, 180: 1, 190: 0}[codes["plane"]] != modal.plane:
            raise Wrong("the plane cannot change under cutter compensation; is G40 missing?")
        modal.plane = {170: 2, 180: 1, 190: 0}[codes["plane"]]
    if "tool length" in codes:
        _length_offset(control, block)
    if "work offset" in codes:
        control.use_offset(_offset_name(codes["work offset"], block))
        _leave_dynamic(control, 540)
    if "path" in codes:
        modal.exact = codes["path"] in (610, 611)
    if "distance" in codes:
        if codes["distance"] == 910 and modal.absolute:
            control.home_incremental = 280 in block.g or 300 in block.g
        modal.absolute = codes["distance"] == 900
    if "arc distance" in codes:
        modal.arc_centre_absolute = codes["arc distance"] == 901
    if "return" in codes:
        modal.return_to_start = codes["return"] == 980
    if "polar" in codes:
        modal.polar = codes["polar"] == 160
    if codes.get("rotation") == 690:
        control.frame = control.frame.without_turning()
        _leave_dynamic(control, 690)
    if codes.get("non-modal") in (921, 922):
        end_shift(control, forget=codes["non-modal"] == 921)
    if codes.get("non-modal") == 923:
        restore_shift(control)
    if "cutter compensation" in codes:
        _compensation(control, block)
    if 670 in block.g:
        _leave_dynamic(control, 670)


def _compensation(control: Control, block: Block) -> None:
    modal, code = control.modal, block.codes["cutter compensation"] // 10
    if "D" in block.numbers:
        modal.compensation_number = whole(block.numbers.pop("D"), "D")
    elif modal.compensation_number == 0:
        modal.compensation_number = modal.tool
    if code == modal.compensation:
        return
    control.end_compensation()
    modal.compensation = code
    if code != 40:
        modal.compensation_left = code == 41
        control.compensate(_compensation_radius(control))


def _compensation_radius(control: Control) -> float | None:
    """Radius to keep from the contour, or None where the path is taken as programmed."""
    number = control.modal.compensation_number
    _check_register(control, number)
    if control.dialect.offset_register == "wear":
        return None
    radius = control.radius_of(number)
    if radius is None:
        control.note(
            "not judged",
            f"G41 or G42 with D{number}: the job does not give this tool's diameter, so the path is taken "
            "as programmed, without the tool's radius",
            "give the tool in the job, with its d",
        )
    return radius


def _check_register(control: Control, number: int) -> None:
    tool = None if control.job is None else control.job.tool(control.modal.tool)
    if tool is None:
        return
    right = tool.number if tool.d is None else tool.d
    if number != right:
        control.caution(
            "radius offset of another tool",
            f"T{tool.number} is compensated with D{number}, its own is D{right}",
            "write the D of this tool, or its d in the job",
        )


def _leave_dynamic(control: Control, code: int) -> None:
    for on, off in DYNAMIC_ON.items():
        if off == code and control.dynamic == NOT_FOLLOWED[on]:
            control.dynamic = ""


def _length_offset(control: Control, block: Block) -> None:
    modal, code = control.modal, block.codes["tool length"]
    number = 0
    if code != 490:
        number = whole(block.numbers.pop("H", float(modal.length_offset)), "H")
        if number == 0:
            control.caution(
                "length offset 0",
                f"{g_name(code)} with H0, or without H, takes no length: Z is the spindle's, not the tip's",
                "write the H number of this tool",
            )
    if number != modal.length_offset:
        control.forget("Z")
    modal.length_offset = number
    _leave_dynamic(control, 490)


def _offset_name(code: int, block: Block) -> str:
    if code == 541:
        number = whole(block.numbers.pop("P", math.nan), "P of G54.1")
        return f"G54.1 P{number}"
    if code == 540 and "P" in block.numbers:
        return f"G54.1 P{whole(block.numbers.pop('P'), 'P of G54')}"
    return g_name(code)


def _lengths(control: Control, block: Block) -> dict[str, float]:
    """Words that are lengths, in mm; under "thousandths" whole numbers count as such."""
    lengths = _all_lengths(control, block)
    if control.modal.polar:
        second = AXES[plane_axes(control.modal.plane)[1]]
        if second in block.numbers:
            lengths[f"{second} angle"] = block.numbers[second]
    return lengths


def _all_lengths(control: Control, block: Block) -> dict[str, float]:
    units = control.modal.units
    small = control.dialect.whole_numbers == "thousandths"
    tiny = 0.001 if units == 1.0 else MM_PER_INCH * 0.0001
    return {
        letter: value * (tiny if small and letter in block.wholes else units)
        for letter, value in block.numbers.items()
        if letter in "XYZIJKRQ"
    }


def _motion(control: Control, block: Block) -> None:
    """Non-modal codes, or the motion in force where the line has axis words."""
    modal, codes = control.modal, block.codes
    _rotary(control, block)
    lengths = _lengths(control, block)
    if 40 in block.g:
        return
    special = [] if block.g <= MOTION_ONLY else [code for code in AXIS_USERS if code in block.g]
    if "cycle off" in codes:
        control.cycle = Cycle()
        modal.motion = None
    if special:
        rapid_home = codes.get("motion") == 0 and special[0] in (280, 300)
        if "motion" in codes and not rapid_home and any(a in lengths for a in AXES):
            raise Wrong(f"{g_name(special[0])} and {g_name(codes['motion'])} both want the axis words")
        if rapid_home:
            _new_motion(control, 0)
        _special(control, special[0], lengths, block)
        return
    if "motion" in codes:
        _new_motion(control, codes["motion"])
    moves = any(axis in lengths for axis in AXES)
    if 530 in block.g:
        _machine_move(control, block, lengths)
    elif moves or (modal.motion in (20, 30) and any(k in lengths for k in "IJK")):
        _move(control, block, lengths)


def _new_motion(control: Control, code: int) -> None:
    if code // 10 not in CYCLES:
        control.cycle = Cycle()
    control.modal.motion = code


def _rotary(control: Control, block: Block) -> None:
    turned = [letter for letter in "ABC" if letter in block.numbers]
    if not turned:
        return
    block.used(*turned)
    not_judged(control, f"word {turned[0]} turns a rotary axis")


def _machine_move(control: Control, block: Block, lengths: dict[str, float]) -> None:
    if control.modal.motion not in (0, 10):
        raise Wrong("G53 needs G0 or G1 in force")
    to_machine(control, [axis for axis in AXES if axis in lengths])
    block.used(*AXES)


def _move(control: Control, block: Block, lengths: dict[str, float]) -> None:
    code = control.modal.motion
    if control.home_incremental and not control.modal.absolute:
        control.caution(
            "G91 left on",
            "the line moves by increments: G91 was set for going home and not taken back",
            "do not run this; write G90 after the G28 line",
        )
    if code is None:
        raise Wrong("axis words without a motion in force; is G0 or G1 missing?")
    if code in (0, 10):
        straight(control, SpanKind.RAPID if code == 0 else SpanKind.FEED, target(control, lengths))
        block.used(*AXES)
    elif code in (20, 30):
        turns = whole(block.numbers.get("P", 1.0), "P, the turns of an arc,")
        if not 1 <= turns <= 10000:
            raise Wrong(f"word P: an arc has 1 to 10000 turns, got {turns}")
        arc(control, code == 20, target(control, lengths), lengths, turns)
        block.used(*AXES, "I", "J", "K", "R", "P")
    elif code in (330, 331):
        straight(control, SpanKind.RIGID, target(control, lengths))
        block.used(*AXES, "K")
    else:
        cycle(control, code // 10, lengths, block.numbers)
        block.used(*AXES, "R", "P", "Q", "L", "K", "I", "J")


def _special(control: Control, code: int, lengths: dict[str, float], block: Block) -> None:
    if code in (280, 300):
        home(control, lengths)
        block.used(*AXES, "P")
        return
    block.used(*SPECIAL[code](control, lengths, block.numbers))


SPECIAL: dict[int, Callable[[Control, dict[str, float], dict[str, float]], tuple[str, ...]]] = {
    100: set_offsets,
    520: local_shift,
    920: axis_shift,
    510: scale,
    500: unscale,
    511: mirror,
    501: unmirror,
    680: rotate,
}


def _left_over(control: Control, block: Block) -> None:
    """Words that nothing used: noted where they cannot move the tool, refused where they can."""
    for letter in block.numbers:
        if letter in "UVW":
            raise Wrong(f"word {letter} moves another axis or counts from here; it is not followed")
        if letter in "XYZ":
            raise Wrong(f"word {letter} has no motion on this line")
        if letter in "IJKR" and control.modal.motion in (0, 10):
            raise Wrong(f"word {letter} has no meaning with G0 or G1; is G2 or G3 missing?")
        control.note("word passed over", f"word {letter} has no use on its line", "")
    for code in block.g & PASSED_OVER:
        control.note("word passed over", f"{g_name(code)} does not change the path that is followed", "")


KNOWN_M = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 13, 14, 19, 29, 30, 48, 49, 60, 98, 99}


def _stop(control: Control, block: Block) -> str:
    for code in block.m:
        if code not in KNOWN_M:
            control.note(
                "word passed over",
                f"M{code} is the machine builder's; taken as not moving the tool",
                "see the machine's manual",
            )
    if 0 in block.m or 60 in block.m or (1 in block.m and control.dialect.optional_stop):
        control.pause(SpanKind.WAIT, 0.0)
    if 2 in block.m or 30 in block.m:
        control.end_compensation()
        return "M2" if 2 in block.m else "M30"
    return ""


def reset(control: Control) -> None:
    """What M2 and M30 put back."""
    control.frame = Frame()
    control.modal = replace(control.modal, spindle=0, coolant=False, absolute=True, plane=2, motion=10)
