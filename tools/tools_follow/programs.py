"""Draw programs as timelines: zigzags, pockets, holes, long air, identical repeats."""

import numpy as np
from numpy.typing import NDArray

from listen.contact import Contact
from listen.spans import SpanKind, Spans
from listen.timeline import Timeline

KINDS = ("zigzag", "pocket", "holes", "long air", "repeats")
Floats = NDArray[np.float64]
Piece = tuple[SpanKind, float, int | None]  # kind, seconds at 100 %, contact index or None


def draw_program(rng: np.random.Generator, *, duration_s: float, kind: str | None = None) -> Timeline:
    """A program of about `duration_s` at 100 %, with contacts of one character a tool."""
    pieces: list[Piece] = [(SpanKind.RAPID, rng.uniform(0.5, 3.0), None)]
    pieces.append((SpanKind.FEED, rng.uniform(0.5, 3.0), None))
    ways: list[str] = []
    tools: list[int] = []
    while sum(length for _, length, _ in pieces) < duration_s:
        if tools:
            pieces.append((SpanKind.TOOL_CHANGE, 6.0, None))
            pieces.append((SpanKind.RAPID, rng.uniform(0.5, 2.0), None))
            pieces.append((SpanKind.FEED, rng.uniform(0.3, 2.0), None))
        chosen = kind or str(rng.choice(KINDS))
        n_contacts = int(rng.integers(8, 60))
        _draw_tool(rng, chosen, n_contacts, pieces, len(ways))
        ways += ["drilling" if chosen == "holes" else "side cut"] * n_contacts
        tools += [1 + max(tools, default=0)] * n_contacts
    pieces.append((SpanKind.RAPID, rng.uniform(0.5, 2.0), None))
    feed = rng.uniform(80.0, 300.0) if kind == "holes" else rng.uniform(200.0, 2500.0)
    return timeline_of(pieces, ways, tools, feed_mm_per_min=float(feed))


def _draw_tool(rng: np.random.Generator, kind: str, n_contacts: int, pieces: list[Piece], first: int) -> None:
    length = rng.uniform(*{"pocket": (0.3, 2.5), "holes": (1.0, 4.0)}.get(kind, (0.7, 8.0)))
    gap = rng.uniform(*{"pocket": (0.2, 1.0), "long air": (5.0, 40.0)}.get(kind, (0.4, 3.0)))
    same = kind in ("repeats", "holes")
    for index in range(n_contacts):
        own = length if same else length * rng.uniform(0.4, 1.6)
        air = gap if same else gap * rng.uniform(0.5, 1.5)
        pieces.append((SpanKind.FEED, own, first + index))
        rapid = {"holes": 0.6, "long air": 0.8}.get(kind, 0.2) * air
        pieces.append((SpanKind.FEED, 0.5 * (air - rapid), None))
        pieces.append((SpanKind.RAPID, rapid, None))
        pieces.append((SpanKind.FEED, 0.5 * (air - rapid), None))


def timeline_of(
    pieces: list[Piece], ways: list[str], tools: list[int], *, feed_mm_per_min: float
) -> Timeline:
    """Pieces as spans and contacts; a line for each piece."""
    stop = np.cumsum([length for _, length, _ in pieces])
    start = np.concatenate([[0.0], stop[:-1]])
    contacts = tuple(
        _contact(10 + index, contact, float(start[index]), float(stop[index]), ways, tools, feed_mm_per_min)
        for index, (_, _, contact) in enumerate(pieces)
        if contact is not None
    )
    spans = _spans(pieces, start, stop)
    return Timeline(program="drawn", spans=spans, contacts=contacts, duration=float(stop[-1]))


def _spans(pieces: list[Piece], start: Floats, stop: Floats) -> Spans:
    n_spans = len(pieces)
    nowhere = np.full((n_spans, 3), np.nan)
    return Spans(
        start_s=start,
        stop_s=stop,
        kind=np.array([kind for kind, _, _ in pieces], dtype=np.int8),
        line=np.arange(10, 10 + n_spans, dtype=np.int32),
        tool=np.ones(n_spans, dtype=np.int32),
        begin=nowhere,
        end=nowhere,
        centre=nowhere,
        sweep=np.zeros(n_spans),
        axis=np.full(n_spans, 2, dtype=np.int8),
    )


def _contact(
    line: int, index: int, start: float, stop: float, ways: list[str], tools: list[int], feed: float
) -> Contact:
    ramp = min(0.05, 0.2 * (stop - start))
    return Contact(
        id=index + 1,
        tool=tools[index],
        line=line,
        block=f"line {line}",
        start=start,
        stop=stop,
        ramp_in=ramp,
        ramp_out=ramp,
        tooth_pass_hz=400.0,
        power_w=float("nan"),
        load_percent=float("nan"),
        place=(0.0, 0.0, 0.0),
        spindle_rpm=8000.0,
        flutes=3,
        feed_mm_per_min=feed,
        way=ways[index],
        pass_id=tools[index],
    )
