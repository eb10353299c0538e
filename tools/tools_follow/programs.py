"""Draw programs as timelines: zigzags, pockets, holes, long air, identical repeats."""

import numpy as np

from listen.timeline import Contact, SpanKind, Spans, Timeline

KINDS = ("zigzag", "pocket", "holes", "long air", "repeats", "few")
Piece = tuple[SpanKind, float, int | None]  # kind, seconds at 100 %, contact index or None


def draw_program(rng: np.random.Generator, *, duration_s: float, kind: str | None = None) -> Timeline:
    """A program of about `duration_s` at 100 %, with contacts of one character a tool."""
    pieces: list[Piece] = [(SpanKind.RAPID, rng.uniform(0.5, 3.0), None)]
    pieces.append((SpanKind.FEED, rng.uniform(0.5, 3.0), None))
    ways: list[str] = []
    tools: list[int] = []
    tool = 1
    while sum(length for _, length, _ in pieces) < duration_s:
        if ways and kind != "few":
            pieces.append((SpanKind.TOOL_CHANGE, 6.0, None))
            pieces.append((SpanKind.RAPID, rng.uniform(0.5, 2.0), None))
            pieces.append((SpanKind.FEED, rng.uniform(0.3, 2.0), None))
        chosen = kind or str(rng.choice(KINDS[:5]))
        n_contacts = int(rng.integers(2, 21)) if kind == "few" else int(rng.integers(8, 60))
        _draw_tool(rng, chosen, n_contacts, pieces, len(ways))
        ways += ["drilling" if chosen == "holes" else "side cut"] * n_contacts
        tools += [tool] * n_contacts
        tool += 1
        if kind == "few":
            break
    pieces.append((SpanKind.RAPID, rng.uniform(0.5, 2.0), None))
    return timeline_of(
        pieces,
        ways,
        tools,
        feed_mm_per_min=float(rng.uniform(80.0, 300.0) if kind == "holes" else rng.uniform(200.0, 2500.0)),
    )


def _draw_tool(rng: np.random.Generator, kind: str, n_contacts: int, pieces: list[Piece], first: int) -> None:
    length = rng.uniform(*{"pocket": (0.3, 2.5), "holes": (1.0, 4.0)}.get(kind, (0.7, 8.0)))
    gap = rng.uniform(*{"pocket": (0.2, 1.0), "long air": (5.0, 40.0)}.get(kind, (0.4, 3.0)))
    same = kind in ("repeats", "holes", "few")
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
    n_spans = len(pieces)
    stop = np.cumsum([length for _, length, _ in pieces])
    start = np.concatenate([[0.0], stop[:-1]])
    nowhere = np.full((n_spans, 3), np.nan)
    spans = Spans(
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
    contacts = []
    for index, (_, length, contact) in enumerate(pieces):
        if contact is None:
            continue
        ramp = min(0.05, 0.2 * length)
        contacts.append(
            Contact(
                id=contact + 1,
                tool=tools[contact],
                line=10 + index,
                block=f"line {10 + index}",
                start=float(start[index]),
                stop=float(stop[index]),
                ramp_in=ramp,
                ramp_out=ramp,
                tooth_pass_hz=400.0,
                power_w=float("nan"),
                load_percent=float("nan"),
                place=(0.0, 0.0, 0.0),
                spindle_rpm=8000.0,
                flutes=3,
                feed_mm_per_min=feed_mm_per_min,
                way=ways[contact],
                pass_id=tools[contact],
            )
        )
    return Timeline(program="drawn", spans=spans, contacts=tuple(contacts), duration=float(stop[-1]))
