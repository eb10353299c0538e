"""What is said of the spindle in a hold: while it turns, and while it stands."""

from collections import Counter

from listen.advise.spindle import Heard
from listen.marks import Mark, MarkKind
from listen.synth.plan import Running
from listen.timeline import Timeline
from listen.told import Cue
from tools.tools_advise.made import RATE, hold_of, listen_to, make_run, timeline_of, with_spindle_stopped

HOLD_S, STOPS_S, TURNS_S = 16.0, 5.0, 3.0
COOLANT_DB = 6.0  # over the air


def print_spindle(n_runs: int) -> int:
    """Machines drawn anew, without and with coolant; 1 where a stopped spindle was "heard"."""
    timeline, wrong = timeline_of(), 0
    for coolant in (False, True):
        said = [_words(timeline, seed, coolant=coolant) for seed in range(100, 100 + n_runs)]
        turning, standing = Counter(on for on, _ in said), Counter(off for _, off in said)
        wrong += standing[Heard.YES]
        print(f"{'with' if coolant else 'without'} coolant, {n_runs} holds")
        print(f"  while it turns: {_counts(turning)}")
        print(f"  while it stands: {_counts(standing)}", flush=True)
    return int(wrong > 0)


def _counts(words: Counter[Heard]) -> str:
    return ", ".join(f"{words[heard]} {heard.value.removeprefix('spindle ')}" for heard in Heard)


def _words(timeline: Timeline, seed: int, *, coolant: bool) -> tuple[Heard, Heard]:
    """What stood on the screen just before the spindle was stopped, and just before it turned again."""
    running = (Running(kind="coolant", start_s=0.0, stop_s=200.0, ramp_s=0.3, level_db=COOLANT_DB),)
    hold = (timeline.contacts[0].stop + 0.6, HOLD_S)
    run = make_run(timeline, seed, holds=(hold,), running=running if coolant else ())
    start_s, stop_s = hold_of(run)
    stops_s, turns_s = start_s + STOPS_S, stop_s - TURNS_S
    marks = [
        Mark(at=round(start_s * RATE), kind=MarkKind.HOLD, source="operator"),
        Mark(at=round(stop_s * RATE), kind=MarkKind.RESUME, source="operator"),
    ]
    told = listen_to(timeline, with_spindle_stopped(run, stops_s, turns_s), marks)
    cues = [cue for cue in told if isinstance(cue, Cue) and cue.kind.startswith("spindle")]
    return _last(cues, start_s, stops_s), _last(cues, start_s, turns_s - 0.5)


def _last(cues: list[Cue], begin_s: float, end_s: float) -> Heard:
    shown = [cue.kind for cue in cues if begin_s <= cue.at / RATE < end_s]
    return Heard(shown[-1]) if shown else Heard.UNSURE
