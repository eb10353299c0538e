"""The shape of a tool's lower end, and whether a height field can judge it."""

import math

from listen.job import Tool

NOT_JUDGED = ("thread mill", "probe", "other")
POINT_ANGLE_DEG = {"drill": 118.0, "spot drill": 90.0, "chamfer mill": 90.0}  # common practice, no source
DRILLS = ("drill", "spot drill", "reamer", "tap")
Profile = tuple[float, float, float]


def profile_of(tool: Tool) -> Profile:
    """Radius, corner radius [mm] and cotangent of half the point angle (0: no point).

    Examples
    --------
    >>> from listen.job import Tool
    >>> profile_of(Tool(number=1, kind="ball end mill", diameter=6.0))
    (3.0, 3.0, 0.0)
    """
    radius = tool.diameter / 2.0
    if tool.kind == "ball end mill":
        return radius, radius, 0.0
    if tool.kind in POINT_ANGLE_DEG:
        angle = math.radians(tool.point_angle_deg or POINT_ANGLE_DEG[tool.kind])
        return radius, 0.0, 1.0 / math.tan(angle / 2.0)
    return radius, min(tool.corner_radius or 0.0, radius), 0.0


def radius_at(tool: Tool, height: float) -> float:
    """Radius of the tool at a height over its tip [mm]."""
    radius, corner, cot = profile_of(tool)
    if cot > 0.0:
        return min(radius, height / cot)
    if height >= corner:
        return radius
    return radius - corner + math.sqrt(max(corner * corner - (corner - height) ** 2, 0.0))


def is_judged(tool: Tool | None) -> bool:
    """Whether contact of this tool can be worked out."""
    return tool is not None and tool.kind not in NOT_JUDGED


def edge_length(tool: Tool, depth: float) -> float:
    """Length of cutting edge up to a height over the tip [mm]: more than the height on rounded edges.

    Examples
    --------
    >>> round(edge_length(Tool(number=1, kind="ball end mill", diameter=6.0), 3.0), 3)  # a quarter circle
    4.712
    """
    _, corner, cot = profile_of(tool)
    if cot > 0.0:
        return depth * math.hypot(1.0, 1.0 / cot)
    if corner <= 0.0:
        return depth
    curved = corner * math.acos(max(1.0 - depth / corner, 0.0))
    return curved + max(depth - corner, 0.0)
