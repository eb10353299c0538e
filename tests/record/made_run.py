"""A small invented run, written through the real writer: two contacts, the second early."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, LoadSample
from listen.contact import Contact
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.job import Box, Job, Material, Setup, Tool
from listen.marks import Look
from listen.record import Run, RunWriter
from listen.spans import Spans
from listen.states import Event, Standing, State
from listen.timeline import HoldPoint, StopWay, Timeline
from listen.told import Flag

RATE = 8000
SECONDS = 12.0
PROGRAM = (
    "%",
    "(MADE UP <b>BRACKET</b> </script><script>document.title='broken'</script>)",
    "N30 G21 G90 G17 T1 M6",
    "N40 G0 X-10 Y0 Z-2 S8000 M3",
    "N50 G1 X50 F600",
    "N60 G0 Y30",
    "N70 G1 X-10 F600",
    "N80 G1 X-12",
    "N90 M30",
)


def made_sound(rate: int = RATE, seconds: float = SECONDS, seed: int = 1) -> NDArray[np.float64]:
    """Quiet noise, louder with tooth-pass lines from 2 to 4 s and from 7.5 to 10 s."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(rate * seconds)) / rate
    sound = 0.01 * rng.standard_normal(time.size)
    for start, stop in ((2.0, 4.0), (7.5, 10.0)):
        cutting = (time >= start) & (time < stop)
        tone = sum(np.sin(2 * np.pi * 400 * k * time) / k for k in range(1, 8))
        sound += cutting * (0.05 * tone + 0.04 * rng.standard_normal(time.size))
    return np.round(sound * 32768) / 32768


def made_spans() -> Spans:
    """A slot along X, then one back along Y, in four moves."""
    places = np.array([[-10, 0, 5], [-10, 0, -2], [50, 0, -2], [50, 30, -2], [-10, 30, -2]], dtype=float)
    return Spans(
        start_s=np.array([0.0, 1.0, 5.0, 6.0]),
        stop_s=np.array([1.0, 5.0, 6.0, 12.0]),
        kind=np.array([0, 1, 0, 1], dtype=np.int8),
        line=np.array([4, 5, 6, 7], dtype=np.int32),
        tool=np.full(4, 1, dtype=np.int32),
        begin=places[:-1],
        end=places[1:],
        centre=np.full((4, 3), np.nan),
        sweep=np.zeros(4),
        axis=np.full(4, 2, dtype=np.int8),
    )


def made_contact(number: int, line: int, start: float, stop: float) -> Contact:
    """One side cut."""
    return Contact(
        id=number,
        tool=1,
        line=line,
        block=f"N{line * 10}",
        start=start,
        ramp_in=0.2,
        ramp_out=0.2,
        stop=stop,
        tooth_pass_hz=400.0,
        power_w=300.0,
        load_percent=12.0,
        place=(0.0, 0.0, -2.0),
        spindle_rpm=8000.0,
        flutes=3,
        feed_mm_per_min=600.0,
        way="side cut",
    )


def made_timeline() -> Timeline:
    """Three contacts expected: at 2 to 4 s, 8 to 10 s, and 10.8 to 11.5 s."""
    return Timeline(
        program="made up.nc",
        spans=made_spans(),
        contacts=(
            made_contact(1, 5, 2.0, 4.0),
            made_contact(2, 7, 8.0, 10.0),
            made_contact(3, 8, 10.8, 11.5),
        ),
        duration=12.0,
        holds=(
            HoldPoint(
                contact=1,
                line=6,
                block="N60",
                how=StopWay.FEED_HOLD,
                from_s=4.1,
                until_s=5.4,
                travel_mm=5.5,
                clear_mm=3.0,
                time_to_press_s=1.3,
                has_room=True,
                cue=True,
            ),
        ),
    )


def made_verdicts(rate: int = RATE) -> tuple[Verdict, ...]:
    """As expected; started early; not heard."""

    def at(seconds: float) -> int:
        return round(seconds * rate)

    return (
        Verdict(
            contact=1,
            kind=VerdictKind.AS_EXPECTED,
            probability=0.97,
            called_at=at(4.2),
            expected_onset=at(2.0),
            expected_offset=at(4.0),
            heard_onset=at(2.0),
            heard_offset=at(4.0),
            strength=Strength.AS_EXPECTED,
            reason="heard from 2.0 to 4.0 s, expected there",
        ),
        Verdict(
            contact=2,
            kind=VerdictKind.STARTED_EARLY,
            probability=0.9,
            called_at=at(10.2),
            expected_onset=at(8.0),
            expected_offset=at(10.0),
            heard_onset=at(7.5),
            heard_offset=at(10.0),
            early_by_mm=5.0,
            witness="earlier contact",
            strength=Strength.HEAVIER,
            reason="heard 0.5 s before its place; is the stock larger or the zero off?",
        ),
        Verdict(
            contact=3,
            kind=VerdictKind.NOT_HEARD,
            probability=0.88,
            called_at=at(11.8),
            expected_onset=at(10.8),
            expected_offset=at(11.5),
            reason="silent from 10.8 to 11.5 s",
        ),
    )


def made_events(rate: int = RATE) -> tuple[Event, ...]:
    """The states of the two heard contacts."""
    rows = (
        (State.AIR, 0.0),
        (State.ENTRY, 2.0),
        (State.STEADY, 2.2),
        (State.EXIT, 3.8),
        (State.AIR, 4.0),
        (State.ENTRY, 7.5),
        (State.STEADY, 7.7),
        (State.EXIT, 9.8),
        (State.AIR, 10.0),
    )
    return tuple(
        Event(state=state, at=round(at * rate), decided_at=round((at + 0.05) * rate), probability=0.95)
        for state, at in rows
    )


def made_job(folder: Path) -> Job:
    """A job file with its program in a folder of their own."""
    folder.mkdir(parents=True, exist_ok=True)
    program = folder / "made up.nc"
    program.write_text("\n".join(PROGRAM) + "\n")
    path = folder / "job.toml"
    path.write_text('program = "made up.nc"\n[stock]\nmin = [0, -5, -10]\nmax = [40, 35, 0]\n')
    return Job(
        programs=(program,),
        units="mm",
        kind="first cut",
        setups=(Setup(offset="G54", stock=Box(low=(0.0, -5.0, -10.0), high=(40.0, 35.0, 0.0))),),
        material=Material(name="aluminium, invented"),
        tools=(Tool(number=1, kind="flat end mill", diameter=10.0, flutes=3),),
        path=path,
    )


def write_made_run(
    folder: Path,
    *,
    rate: int = RATE,
    seconds: float = SECONDS,
    seed: int = 1,
    sound: str = "flac",
    louder_db: float = 0.0,
    samples: NDArray[np.float64] | None = None,
) -> Run:
    """Write the invented run into `folder` and give it as read back."""
    if samples is None:
        samples = made_sound(rate, seconds, seed)
    samples = samples * 10 ** (louder_db / 20)
    job = made_job(folder.parent / "job of the made run")
    writer = RunWriter(
        folder, rate=rate, live=False, sound=sound, timeline=made_timeline(), job=job, source="invented"
    )
    with writer:
        for start in range(0, samples.size, rate):
            writer.push(Block(samples=samples[start : start + rate], start=start, rate=rate))
        for tick in range(int(seconds * 2)):
            line = 4 + (tick > 2) + (tick > 10) + (tick > 12)
            writer.push(Position(at=tick * rate // 2, program_time=tick / 2, line=line, spread=0.1, rate=1.0))
            load = 5.0 + 20.0 * (4 <= tick < 8) + 26.0 * (15 <= tick < 20)
            writer.push(LoadSample(at=tick * rate // 2, percent=load, kind="load_percent"))
        writer.push(
            Event(
                state=State.ENTRY,
                at=rate,
                decided_at=rate + 400,
                probability=0.5,
                standing=Standing.WITHDRAWN,
            )
        )
        writer.push(*made_events(rate), *made_verdicts(rate))
        writer.push(
            Flag(
                at=round(7.9 * rate),
                kind="started early",
                contact=2,
                text="N70 began 5.0 mm before its place",
            ),
            Flag(at=round(11.8 * rate), kind="not heard", contact=3, text="N80 was expected at 10.8 s"),
            Look(
                at=round(4.8 * rate),
                contact=1,
                text="step measured 1.02",
                place=(float("nan"),) * 2 + (-2.0,),
            ),
        )
        return writer.finish(refined=made_events(rate), verdicts=made_verdicts(rate))
