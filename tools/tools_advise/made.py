"""Made runs of the invented step job, for what the person is told."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block
from listen.ears import Given, SoundEar, shipped_model
from listen.job_file import load_job
from listen.marks import Mark
from listen.plan import plan_job
from listen.session import Decided, Session
from listen.synth import EVALUATION_RANGES, Fault, Made, Script, draw_room, draw_voice, synthesise
from listen.synth.plan import Running
from listen.timeline import Timeline
from tools.tools_advise.where import ROOT

RATE = 48000
BLOCK_S = 0.1
QUIET_S = 4.0  # before cycle start: the spindle stands
RUNS_DOWN_S = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeRun:
    """A made run: its sound, what happened, and the program."""

    timeline: Timeline
    made: Made
    samples: NDArray[np.float64]


def timeline_of(job: str = "recordings_synthetic/step.toml") -> Timeline:
    """The program of a job in the project."""
    return plan_job(load_job(ROOT / job)).timeline


def make_run(
    timeline: Timeline,
    seed: int,
    *,
    faults: tuple[Fault, ...] = (),
    holds: tuple[tuple[float, float], ...] = (),
    running: tuple[Running, ...] = (),
    snr_db: float = 15.0,
) -> MadeRun:
    """A run with machine and room drawn anew from ranges that the model was not fitted on."""
    rng = np.random.default_rng(seed)
    n_tools = len({contact.tool for contact in timeline.contacts})
    script = Script(
        faults=faults, holds=holds, running=running, snr_db=snr_db, start_delay_s=QUIET_S, tail_s=3.0
    )
    made = synthesise(
        timeline,
        script=script,
        voice=draw_voice(rng, EVALUATION_RANGES, RATE, n_tools=n_tools),
        room=draw_room(rng, EVALUATION_RANGES, RATE),
        rate=RATE,
        rng=rng,
    )
    return MadeRun(timeline=timeline, made=made, samples=np.asarray(made.samples, dtype=np.float64))


def hold_of(run: MadeRun) -> tuple[float, float]:
    """Where the run was held longest [s]."""
    at = np.asarray(run.made.truth.program_at, dtype=np.float64) / RATE
    stands = np.where(np.diff(run.made.truth.program_s) == 0.0, np.diff(at), 0.0)
    longest = int(np.argmax(stands))
    return float(at[longest]), float(at[longest + 1])


def with_spindle_stopped(run: MadeRun, start_s: float, stop_s: float) -> NDArray[np.float64]:
    """The same sound with the spindle run down from `start_s` and up again before `stop_s` [s].

    While it stands, what is heard is the run's own sound from before cycle start.
    """
    samples = run.samples.copy()
    first, last = round(start_s * RATE), round(stop_s * RATE)
    quiet = run.samples[RATE // 2 : round((QUIET_S - 0.5) * RATE)]
    stands = np.resize(quiet, last - first)
    ramp = np.minimum(1.0, np.arange(last - first) / (RUNS_DOWN_S * RATE))
    share = np.minimum(ramp, ramp[::-1])
    samples[first:last] = np.sqrt(1.0 - share) * samples[first:last] + np.sqrt(share) * stands
    return samples


def listen_to(timeline: Timeline | None, samples: NDArray[np.float64], marks: list[Mark]) -> list[Decided]:
    """All that a session decides, sound and marks in the order in which they come."""
    session = Session(timeline, ear=SoundEar(shipped_model(), rate=RATE, keep=False), rate=RATE)
    size = round(BLOCK_S * RATE)
    given: list[Given] = [
        Block(samples=samples[i : i + size], start=i, rate=RATE) for i in range(0, samples.size, size)
    ]
    told: list[Decided] = []
    for item in [*marks, *given]:
        told += session.push(item)
    return [*told, *session.close()]
