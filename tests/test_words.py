"""The shared words refuse nonsense, NaN among it, and say what was wrong."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from listen.blocks import Block, Frames, Gap, LoadSample
from listen.contact import Contact
from listen.errors import InputError
from listen.followed import Position, Verdict, VerdictKind
from listen.job import Box, Cylinder, Machine, Tool
from listen.spans import Spans
from listen.states import STATES, ContactSound, EarRates, Event, Finding, State, StateLikelihoods
from listen.timeline import HoldPoint, StopWay, Timeline

pytestmark = pytest.mark.closed
NAN = float("nan")
INF = float("inf")


def spans(**changed: Any) -> Spans:
    one = np.zeros(1)
    place = np.zeros((1, 3))
    whole = np.zeros(1, dtype=np.int32)
    given: dict[str, Any] = {
        "start_s": one,
        "stop_s": one + 1.0,
        "kind": whole.astype(np.int8),
        "line": whole,
        "tool": whole,
        "begin": place,
        "end": place,
        "centre": place,
        "sweep": one,
        "axis": whole.astype(np.int8),
    }
    return Spans(**{**given, **changed})


CONTACT: dict[str, Any] = {
    "id": 1,
    "tool": 1,
    "line": 12,
    "block": "N110",
    "start": 6.3,
    "ramp_in": 0.2,
    "ramp_out": 0.1,
    "stop": 8.28,
    "tooth_pass_hz": 400.0,
    "power_w": NAN,
    "load_percent": NAN,
    "place": (0.0, 0.0, 0.0),
    "spindle_rpm": 8000.0,
    "flutes": 3,
    "feed_mm_per_min": 900.0,
    "way": "side cut",
}
RIGHT: dict[type, dict[str, Any]] = {
    Block: {"samples": np.zeros(4), "start": 0, "rate": 48000},
    Gap: {"start": 3, "stop": 9, "reason": "microphone unplugged"},
    LoadSample: {"at": 3, "percent": 12.0, "kind": "load_percent"},
    Frames: {"at": np.arange(2), "values": np.zeros((2, 3))},
    StateLikelihoods: {
        "at": np.arange(2),
        "log_likelihood": np.zeros((2, len(STATES))),
        "contact": np.zeros(2),
    },
    Event: {"state": State.ENTRY, "at": 5, "decided_at": 9, "probability": 0.9},
    Finding: {
        "kind": "chatter",
        "start": 1,
        "stop": 5,
        "decided_at": 9,
        "frequency_hz": 700.0,
        "level_db": 9.0,
        "probability": 0.9,
    },
    EarRates: {
        "false_bursts_per_hour": 1.0,
        "dropouts_per_hour": 1.0,
        "missed_share": 0.02,
        "onset_spread_s": 0.02,
        "offset_spread_s": 0.03,
    },
    ContactSound: {"start": 1, "stop": 5, "decided_at": 9, "level_db": 9.0, "tooth_pass_hz": NAN},
    Contact: CONTACT,
    HoldPoint: {
        "contact": 1,
        "line": 12,
        "how": StopWay.FEED_HOLD,
        "from_s": 8.4,
        "until_s": 9.6,
        "travel_mm": 5.5,
        "clear_mm": 3.0,
        "time_to_press_s": 1.2,
        "has_room": True,
        "cue": True,
    },
    Timeline: {"program": "part.nc", "spans": spans(), "contacts": (), "duration": 1.0},
    Position: {"at": 1, "program_time": 2.0, "line": 3, "spread": 0.1, "rate": 1.0},
    Verdict: {"contact": 1, "kind": VerdictKind.AS_EXPECTED, "probability": 0.9, "called_at": 9},
    Box: {"low": (0.0, 0.0, -1.0), "high": (1.0, 1.0, 0.0)},
    Cylinder: {"centre": (0.0, 0.0), "diameter": 5.0, "low_z": -1.0, "high_z": 0.0},
    Tool: {"number": 1, "kind": "flat end mill", "diameter": 12.0},
    Machine: {},
}

NONSENSE: list[tuple[type, dict[str, Any], str]] = [
    (Block, {"rate": 0}, "at least 8000 Hz, got 0"),
    (Block, {"rate": NAN}, "at least 8000 Hz, got nan"),
    (Block, {"start": -1}, "sample 0 or later, got -1"),
    (Block, {"samples": np.zeros((2, 2))}, r"shape \(n_samples,\), got \(2, 2\)"),
    (Block, {"samples": np.array([0.0, 0.0, NAN])}, r"^samples\[2\] is nan; audio must be finite$"),
    (Block, {"samples": np.array([0.0, -INF])}, r"^samples\[1\] is -inf; audio must be finite$"),
    (Gap, {"start": 9, "stop": 3}, "got 9 and 3"),
    (Gap, {"start": NAN}, "got nan"),
    (LoadSample, {"percent": NAN}, "finite, got nan at 3"),
    (LoadSample, {"kind": "volts"}, "got 'volts'"),
    (Frames, {"at": np.arange(3)}, r"got \(3,\) and \(2, 3\)"),
    (StateLikelihoods, {"log_likelihood": np.full((2, 4), NAN)}, "NaN"),
    (StateLikelihoods, {"log_likelihood": np.zeros((2, 3))}, r"got \(2, 3\) for 2 frames"),
    (Event, {"at": 10}, "decided before it happened"),
    (Event, {"at": -1}, "got at=-1"),
    (Event, {"probability": NAN}, "got nan"),
    (Event, {"probability": 1.01}, "got 1.01"),
    (Event, {"spread": NAN}, "got nan"),
    (Finding, {"kind": "noise"}, "got 'noise'"),
    (Finding, {"stop": 10}, "got 1, 10, 9"),
    (Finding, {"probability": NAN}, "got nan"),
    (EarRates, {"missed_share": NAN}, "got nan"),
    (EarRates, {"onset_spread_s": NAN}, "finite and not negative"),
    (EarRates, {"dropouts_per_hour": INF}, "finite and not negative"),
    (ContactSound, {"stop": 10}, "got 1, 10, 9"),
    (Contact, {"start": NAN}, "got nan and 8.28"),
    (Contact, {"start": 9.0}, "needs 0 <= start < stop"),
    (Contact, {"stop": INF}, "got 6.3 and inf"),
    (Contact, {"ramp_in": 1.95}, "too short for ramps"),
    (Contact, {"ramp_out": NAN}, "too short for ramps"),
    (HoldPoint, {"until_s": 8.0}, "got 8.4 and 8.0"),
    (HoldPoint, {"from_s": NAN}, "got nan"),
    (Spans, {"stop_s": np.array([NAN])}, "NaN or runs backwards"),
    (Spans, {"line": np.zeros(2, dtype=np.int32)}, "one length, here 1"),
    (Timeline, {"duration": NAN}, "got nan"),
    (Timeline, {"feed_override": NAN}, "feed override must be 0 to 200 percent, got nan"),
    (Timeline, {"rapid_override": 201.0}, "rapid override must be 0 to 200 percent, got 201"),
    (
        Timeline,
        {"contacts": (Contact(**CONTACT), Contact(**{**CONTACT, "start": 1.0}))},
        "in the order of their start",
    ),
    (Position, {"spread": NAN}, "cannot be negative: nan"),
    (Position, {"rate": -0.1}, "cannot be negative"),
    (Position, {"probability": NAN}, "got nan"),
    (Verdict, {"probability": NAN}, "got nan"),
    (Verdict, {"contact": None}, "unexpected verdict has no contact"),
    (Verdict, {"kind": VerdictKind.UNEXPECTED}, "unexpected verdict has no contact"),
    (Verdict, {"early_by_mm": 2.0}, "millimetres need a witness"),
    (Box, {"low": (NAN, 0.0, 0.0)}, "min below max"),
    (Box, {"low": (2.0, 0.0, -1.0)}, "min below max"),
    (Cylinder, {"diameter": NAN}, "got nan"),
    (Cylinder, {"low_z": 0.0}, "low, high"),
    (Tool, {"diameter": NAN}, "tool 1: diameter must be above 0, got nan"),
    (Tool, {"diameter": INF}, "tool 1: diameter must be above 0, got inf"),
    (Tool, {"flutes": 0}, "tool 1: flutes must be 1 or more, got 0"),
    (Tool, {"stick_out": NAN}, "stick_out must be above 0, got nan"),
    (Tool, {"kind": "flat endmill"}, "did you mean 'flat end mill'"),
    (Machine, {"rapid_mm_per_min": NAN}, "rapid_mm_per_min must be above 0, got nan"),
    (Machine, {"feed_override": NAN}, "feed_override must be 0 to 200 percent, got nan"),
    (Machine, {"rapid_path": "curved"}, "got 'curved'"),
]


@pytest.mark.parametrize("word", RIGHT, ids=lambda word: word.__name__)
def test_the_right_values_are_taken(word: type) -> None:
    assert word(**RIGHT[word]) is not None


@pytest.mark.parametrize(
    ("word", "changed", "message"),
    NONSENSE,
    ids=[f"{w.__name__}-{next(iter(c))}-{m}" for w, c, m in NONSENSE],
)
def test_nonsense_is_refused_with_what_it_was(word: type, changed: dict[str, Any], message: str) -> None:
    given = {**RIGHT[word], **changed} if word is not Spans else changed
    make: Callable[..., object] = spans if word is Spans else word
    with pytest.raises(InputError, match=message):
        make(**given)


@pytest.mark.parametrize("word", [w for w in RIGHT if w is not Machine], ids=lambda word: word.__name__)
def test_a_misspelt_name_fails(word: type) -> None:
    with pytest.raises(TypeError, match="unexpected keyword"):
        word(**RIGHT[word], at_second=1.0)


@pytest.mark.parametrize("word", RIGHT, ids=lambda word: word.__name__)
def test_what_was_said_stays_said(word: type) -> None:
    said = word(**RIGHT[word])
    name = next(iter(said.__dataclass_fields__))
    with pytest.raises(AttributeError):
        setattr(said, name, 0)


def test_the_path_of_a_missing_file_is_named(tmp_path: Path) -> None:
    from listen.job_file import load_job

    with pytest.raises(InputError, match=r"no job file .*none\.toml"):
        load_job(tmp_path / "none.toml")
