"""What one line makes the control do, in the order of RS-274/NGC.

References
----------
NISTIR 6556, sections 3.4 (modal groups) and 3.8 (order of execution).
"""

import math
from collections.abc import Callable

from listen.job import MM_PER_INCH
from listen.program.codes import (
    AXIS_USERS,
    DYNAMIC_ON,
    MOTION_ONLY,
    NOT_FOLLOWED,
    PASSED_OVER,
    SPLINES,
    Block,
    g_name,
    sort_words,
)
from listen.program.control import AXES, Control
from listen.program.cycles import CYCLES, cycle
from listen.program.expression import Wrong, whole
from listen.program.frame import plane_axes
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
from listen.program.registers import compensation, leave_dynamic, length_offset, offset_name
from listen.program.rotary import turn
from listen.program.state import Cycle
from listen.program.words import Word
from listen.spans import SpanKind


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
    has_axes = not block.numbers.keys().isdisjoint(AXES)
    _motion(control, block)
    _left_over(control, block, has_axes=has_axes)
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
        seconds = control.dwell_of(numbers["P"], "G4", whole="P" in block.wholes)
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
        length_offset(control, block)
    if "work offset" in codes:
        control.use_offset(offset_name(codes["work offset"], block))
        leave_dynamic(control, 540)
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
        leave_dynamic(control, 690)
    if codes.get("non-modal") in (921, 922):
        end_shift(control, forget=codes["non-modal"] == 921)
    if codes.get("non-modal") == 923:
        restore_shift(control)
    if "cutter compensation" in codes:
        compensation(control, block)
    if 670 in block.g:
        leave_dynamic(control, 670)


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
        _leave_motion(control)
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
    _leave_motion(control)
    control.modal.motion = code


def _leave_motion(control: Control) -> None:
    modal = control.modal
    if modal.motion in (0, 10):
        modal.straight = modal.motion
    modal.motion = None


def _rotary(control: Control, block: Block) -> None:
    words = {letter: block.numbers[letter] for letter in "ABC" if letter in block.numbers}
    if words:
        block.used(*words)
        turn(control, words)


def _machine_move(control: Control, block: Block, lengths: dict[str, float]) -> None:
    if control.modal.motion not in (0, 10):
        raise Wrong("G53 needs G0 or G1 in force")
    to_machine(control, [axis for axis in AXES if axis in lengths])
    block.used(*AXES)


def _motion_in_force(control: Control) -> int:
    """What axis words ask for; at the start and after G80, where nothing is in force, what many controls do.

    NISTIR 6556, section 3.5.15, has axis words after G80 as an error. Many controls keep G0 or G1 through a
    cycle, and start with one of them as a parameter says (common practice, no source).
    """
    modal = control.modal
    if modal.motion is None:
        name = g_name(modal.straight)
        control.caution(
            "motion not named",
            f"axis words without a motion in force, at the start or after G80: read as {name}",
            "some controls do that, others take the other of G0 and G1 or stop here: write it on this line",
        )
        modal.motion = modal.straight
    return modal.motion


def _move(control: Control, block: Block, lengths: dict[str, float]) -> None:
    code = _motion_in_force(control)
    if control.home_incremental and not control.modal.absolute:
        control.caution(
            "G91 left on",
            "the line moves by increments: G91 was set for going home and not taken back",
            "do not run this; write G90 after the G28 line",
        )
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
        _thread(control, code, lengths)
        block.used(*AXES, "K")
    else:
        cycle(control, code // 10, lengths, block.numbers)
        block.used(*AXES, "R", "P", "Q", "L", "K", "I", "J")


def _thread(control: Control, code: int, lengths: dict[str, float]) -> None:
    """G33: K is the pitch, so the spindle sets the feed. G33.1 turns back and comes out again."""
    if not lengths.get("K", 0.0) > 0.0:
        raise Wrong(f"{g_name(code)} needs K above 0, the pitch")
    feed = lengths["K"] * abs(control.rpm)
    begin, spindle = control.place, control.modal.spindle
    control.go(SpanKind.RIGID, control.frame.to_work(target(control, lengths)), feed=feed)
    if code == 331:
        control.modal.spindle = -spindle
        control.pause(SpanKind.SPINDLE)
        control.go(SpanKind.RIGID, begin, feed=feed)
        control.modal.spindle = spindle
        control.pause(SpanKind.SPINDLE)


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


def _left_over(control: Control, block: Block, *, has_axes: bool) -> None:
    """Words that nothing used: noted where they cannot move the tool, refused where they can."""
    for code in block.g & PASSED_OVER:
        if has_axes and code in SPLINES:
            raise Wrong(
                f"{g_name(code)} with axis words is a curve, which is not followed; write it as lines"
            )
        control.note("word passed over", f"{g_name(code)} does not change the path that is followed", "")
    for letter in block.numbers:
        if letter in "UVW":
            raise Wrong(f"word {letter} moves another axis or counts from here; it is not followed")
        if letter in "XYZ":
            raise Wrong(f"word {letter} has no motion on this line")
        if letter in "IJKR" and control.modal.motion in (0, 10):
            raise Wrong(f"word {letter} has no meaning with G0 or G1; is G2 or G3 missing?")
        control.note("word passed over", f"word {letter} has no use on its line", "")


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
