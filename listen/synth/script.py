"""What the operator and fate do in a run: overrides, holds, planted faults, and the time map that follows.

Conventions
-----------
Program time is in seconds at 100 % override from program start; clip time in seconds since the clip began.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.errors import InputError
from listen.spans import SpanKind, Spans
from listen.synth.plan import Bump, Running
from listen.timeline import Timeline

FAULTS = (
    "early",
    "late",
    "missing",
    "half-way",
    "heavier",
    "lighter",
    "chatter",
    "broken tooth",
    "dull",
    "rubbing",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something planted in one contact.

    Attributes
    ----------
    kind : str
        One of `FAULTS`.
    contact : int
        Id of the contact.
    amount : float
        "early", "late": seconds of program time; "half-way": share of the contact after which the sound is
        gone; "heavier", "lighter": dB; "chatter": depth of cut over the stability limit, above 1; not used
        by the others.
    """

    kind: str
    contact: int
    amount: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            raise InputError(f"kind of fault must be one of {', '.join(FAULTS)}; got {self.kind!r}")
        if not self.amount >= 0.0:
            raise InputError(f"the amount of a fault is 0 or more, got {self.amount} for {self.kind!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Script:
    """What the operator and fate do.

    Attributes
    ----------
    start_delay_s : float
        Air before cycle start [s].
    tail_s : float
        Air after program end [s].
    feed_override, rapid_override : tuple of (clip_s, percent)
        Steps, in order of time; before the first the timeline's own value holds.
    holds : tuple of (program_s, length_s)
        Feed holds by the place in the program at which the machine stands.
    wait_s : float
        How long the person takes at each M0, M1 or door.
    faults : tuple of Fault
    snr_db : float
        Of the program's strongest contact at 100 % feed override [dB].
    running, bumps : tuple
        What else sounds, in clip time.
    """

    start_delay_s: float = 2.0
    tail_s: float = 2.0
    feed_override: tuple[tuple[float, float], ...] = ()
    rapid_override: tuple[tuple[float, float], ...] = ()
    holds: tuple[tuple[float, float], ...] = ()
    wait_s: float = 3.0
    faults: tuple[Fault, ...] = ()
    snr_db: float = 15.0
    running: tuple[Running, ...] = ()
    bumps: tuple[Bump, ...] = ()

    def __post_init__(self) -> None:
        for name in ("start_delay_s", "tail_s", "wait_s"):
            if not 0.0 <= getattr(self, name) < float("inf"):
                raise InputError(f"{name} must be 0 or more seconds, got {getattr(self, name)}")
        for name in ("feed_override", "rapid_override", "holds"):
            times = [time for time, _ in getattr(self, name)]
            if times != sorted(times):
                raise InputError(f"{name} must be in order of time, got {times}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimeMap:
    """Clip time and program time, straight lines between points.

    Attributes
    ----------
    clip_s, program_s : ndarray, shape (n_points,)
        Neither decreases; program time stands during holds and waits.
    """

    clip_s: NDArray[np.float64]
    program_s: NDArray[np.float64]

    def clip_first(self, program_s: float) -> float:
        """Clip time at which the program first reaches a place [s]."""
        index = int(np.searchsorted(self.program_s, program_s, side="left"))
        return self._between(index, program_s)

    def clip_last(self, program_s: float) -> float:
        """Clip time at which the program leaves a place, after any hold there [s]."""
        index = int(np.searchsorted(self.program_s, program_s, side="right"))
        if index and self.program_s[index - 1] == program_s:
            return float(self.clip_s[index - 1])
        return self._between(index, program_s)

    def _between(self, index: int, program_s: float) -> float:
        index = min(max(index, 1), self.program_s.size - 1)
        (p0, p1), (t0, t1) = self.program_s[index - 1 : index + 1], self.clip_s[index - 1 : index + 1]
        return float(t0 if p1 == p0 else t0 + (t1 - t0) * (program_s - p0) / (p1 - p0))


def override_at(steps: tuple[tuple[float, float], ...], clip_s: float, first: float) -> float:
    """Percent in force at a clip time."""
    value = first
    for at, percent in steps:
        if at > clip_s:
            break
        value = percent
    return value


def map_time(timeline: Timeline, script: Script) -> TimeMap:
    """When the program is where, by the operator's doings.

    Raises
    ------
    InputError
        If an override of 0 percent stays for ever.
    """
    clip, program = [0.0, script.start_delay_s], [0.0, 0.0]
    holds = list(script.holds)
    for index in range(len(timeline.spans)):
        start, stop = float(timeline.spans.start_s[index]), float(timeline.spans.stop_s[index])
        while holds and holds[0][0] < stop:
            place, length = holds.pop(0)
            _run_to(timeline, script, index, max(place, start), clip, program)
            clip.append(clip[-1] + length)
            program.append(program[-1])
        _run_to(timeline, script, index, stop, clip, program)
        if timeline.spans.kind[index] == SpanKind.WAIT:
            clip.append(clip[-1] + script.wait_s)
            program.append(program[-1])
    clip.append(clip[-1] + script.tail_s)
    program.append(program[-1])
    return TimeMap(clip_s=np.array(clip), program_s=np.array(program))


def _run_to(
    timeline: Timeline, script: Script, index: int, until: float, clip: list[float], program: list[float]
) -> None:
    """Run one span on to a program time, step by step of the override; appends to both lists."""
    kind = SpanKind(int(timeline.spans.kind[index]))
    steps, first = {
        SpanKind.FEED: (script.feed_override, timeline.feed_override),
        SpanKind.RAPID: (script.rapid_override, timeline.rapid_override),
    }.get(kind, ((), 100.0))
    while program[-1] < until:
        rate = override_at(steps, clip[-1], first) / 100.0
        change = next((at for at, _ in steps if at > clip[-1]), np.inf)
        if rate <= 0.0 and change == np.inf:
            raise InputError(f"an override of 0 percent from {clip[-1]} s on would never end; add a step")
        arrives = clip[-1] + (until - program[-1]) / rate if rate > 0.0 else np.inf
        if arrives <= change:
            clip.append(arrives)
            program.append(until)
        else:
            program.append(program[-1] + (change - clip[-1]) * rate)
            clip.append(float(change))


def changes_of_spindle(spans: Spans) -> list[int]:
    """Indices of the spans in which the spindle's speed may change."""
    kinds = (int(SpanKind.SPINDLE), int(SpanKind.TOOL_CHANGE))
    return [index for index in range(len(spans)) if int(spans.kind[index]) in kinds]
