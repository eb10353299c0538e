"""Where a stop leaves the tool clear of the work, and how long there is to press."""

from listen.expect.contacts import Cut
from listen.expect.segments import Segments
from listen.expect.stock import Stock
from listen.job import Job
from listen.program.path import TimedPath
from listen.timeline import HoldPoint, StopWay


def hold_points(
    path: TimedPath, job: Job, segments: Segments, cuts: list[Cut], uncut: dict[str, Stock]
) -> tuple[HoldPoint, ...]:
    """One hold point after each exit."""
    found = []
    for cut, after in zip(cuts, [*cuts[1:], None], strict=False):
        until = after.contact.start if after is not None else float(path.spans.stop_s[-1])
        start = min(cut.contact.stop, until)
        found.append(
            HoldPoint(
                contact=cut.contact.id,
                line=cut.contact.line,
                how=StopWay.FEED_HOLD,
                from_s=start,
                until_s=until,
                travel_mm=0.0,
                clear_mm=0.0,
                time_to_press_s=until - start,
                has_room=until - start >= 1.0,
                cue=True,
                next_contact=after.contact.id if after is not None else None,
            )
        )
    return tuple(found)
