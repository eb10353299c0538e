"""Small timelines and heard events for the follower's tests; the true path comes first."""

from collections.abc import Sequence

import numpy as np

from listen.contact import Contact
from listen.spans import SpanKind, Spans
from listen.states import EarRates, Event, State
from listen.timeline import Timeline

RATE = 8000
EAR = EarRates(
    false_bursts_per_hour=2.0,
    dropouts_per_hour=10.0,
    missed_share=0.01,
    onset_spread_s=0.03,
    offset_spread_s=0.05,
)
Stretches = Sequence[tuple[float, float]]


def spans_of(pieces: Sequence[tuple[SpanKind, float, int]]) -> Spans:
    """Spans of (kind, length in s, line), all at one place."""
    n_spans = len(pieces)
    stop = np.cumsum([length for _, length, _ in pieces])
    nowhere = np.full((n_spans, 3), np.nan)
    return Spans(
        start_s=np.concatenate([[0.0], stop[:-1]]),
        stop_s=stop,
        kind=np.array([kind for kind, _, _ in pieces], dtype=np.int8),
        line=np.array([line for _, _, line in pieces], dtype=np.int32),
        tool=np.ones(n_spans, dtype=np.int32),
        begin=nowhere,
        end=nowhere,
        centre=nowhere,
        sweep=np.zeros(n_spans),
        axis=np.full(n_spans, 2, dtype=np.int8),
    )


def contact(index: int, start: float, stop: float, **more: object) -> Contact:
    """A contact of a side-milling pass; its line is 10 + 2 · index."""
    given: dict[str, object] = {
        "id": index + 1,
        "tool": 1,
        "line": 10 + 2 * index,
        "block": f"line {10 + 2 * index}",
        "start": start,
        "stop": stop,
        "ramp_in": min(0.03, 0.1 * (stop - start)),
        "ramp_out": min(0.03, 0.1 * (stop - start)),
        "tooth_pass_hz": 750.0,
        "power_w": float("nan"),
        "load_percent": float("nan"),
        "place": (0.0, 0.0, 0.0),
        "spindle_rpm": 9000.0,
        "flutes": 5,
        "feed_mm_per_min": 1500.0,
        "way": "side cut",
    }
    return Contact(**(given | more))  # type: ignore[arg-type]


def timeline_of(stretches: Stretches, *, rapid_share: float = 0.0, **more: object) -> Timeline:
    """A program whose contacts are at `stretches`, with feed (and rapid) between them."""
    pieces: list[tuple[SpanKind, float, int]] = []
    at = 0.0
    for index, (start, stop) in enumerate(stretches):
        air = start - at
        pieces.append((SpanKind.RAPID, rapid_share * air, 9 + 2 * index))
        pieces.append((SpanKind.FEED, (1.0 - rapid_share) * air, 10 + 2 * index))
        pieces.append((SpanKind.FEED, stop - start, 10 + 2 * index))
        at = stop
    pieces.append((SpanKind.RAPID, 1.0, 10 + 2 * len(stretches)))
    contacts = tuple(contact(index, start, stop) for index, (start, stop) in enumerate(stretches))
    given: dict[str, object] = {
        "program": "invented.nc",
        "spans": spans_of(pieces),
        "contacts": contacts,
        "duration": at + 1.0,
    }
    return Timeline(**(given | more))  # type: ignore[arg-type]


def events_of(
    stretches: Stretches, *, lag_s: float = 0.1, spread_s: float = 0.03, end_probability: float = 0.95
) -> tuple[Event, ...]:
    """Confirmed starts and ends of contact, known `lag_s` after they happened."""
    events = []
    for start, stop in sorted(stretches):
        for state, at in ((State.ENTRY, start), (State.AIR, stop)):
            events.append(
                Event(
                    state=state,
                    at=round(at * RATE),
                    decided_at=round((at + lag_s) * RATE),
                    probability=0.95 if state == State.ENTRY else end_probability,
                    spread=round(spread_s * RATE),
                )
            )
    return tuple(events)
