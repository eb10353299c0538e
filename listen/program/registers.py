"""Codes that name a register: work offset, H of the tool's length, D of its radius."""

import math

from listen.program.codes import DYNAMIC_ON, NOT_FOLLOWED, Block, g_name
from listen.program.control import Control
from listen.program.expression import whole


def compensation(control: Control, block: Block) -> None:
    """G40, G41 or G42, with D."""
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


def leave_dynamic(control: Control, code: int) -> None:
    """End a span that is not followed, where this code is the one that ends it."""
    for on, off in DYNAMIC_ON.items():
        if off == code and control.dynamic == NOT_FOLLOWED[on]:
            control.dynamic = ""


def length_offset(control: Control, block: Block) -> None:
    """G43, G44 or G49, with H; another length makes the height unknown until the next absolute Z."""
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
    leave_dynamic(control, 490)


def offset_name(code: int, block: Block) -> str:
    """The work offset that a line calls, "G54.1 P12" with its P."""
    if code == 541:
        number = whole(block.numbers.pop("P", math.nan), "P of G54.1")
        return f"G54.1 P{number}"
    if code == 540 and "P" in block.numbers:
        return f"G54.1 P{whole(block.numbers.pop('P'), 'P of G54')}"
    return g_name(code)
