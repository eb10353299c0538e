"""The demo: an invented job, a made recording of its first run, and the same ear as at the machine.

Conventions
-----------
Part, machine and sound are invented. What is made is written first and then listened to as any
other recording; the ear is told nothing of the faults.
"""

import json
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import numpy as np
import soundfile

from listen.errors import RecordingError
from listen.followed import VerdictKind
from listen.job_file import load_job
from listen.plan import plan_job
from listen.record import Run
from listen.replay_run import WritePage, replay_recording
from listen.synth import (
    EVALUATION_RANGES,
    Fault,
    Made,
    Script,
    draw_room,
    draw_voice,
    synthesise,
)
from listen.timeline import Timeline

RATE = 48000
SEED = 23
JOB_FILES = ("bracket.toml", "bracket.nc")
EARLY, NEVER = "N240", "N320"
EARLY_S = 0.5
PLANTED = {EARLY: VerdictKind.STARTED_EARLY, NEVER: VerdictKind.NOT_HEARD}
OWN = (*JOB_FILES, "recording.flac", "truth.json", "run")


def run_demo(
    out: Path, *, write_page: WritePage, progress: Callable[[float], None] = lambda share: None
) -> tuple[Run, str]:
    """Make the job and its recording in `out`, listen to it, and say what of the faults was not found.

    Returns
    -------
    run : Run
    missed : str
        "" where exactly the planted faults were found, else what was told instead.

    Raises
    ------
    RecordingError
        If `out` holds something else, or cannot be written.
    """
    _prepare(out)
    job = out / JOB_FILES[0]
    timeline = plan_job(load_job(job)).timeline
    progress(0.05)
    made = make_recording(timeline)
    soundfile.write(out / "recording.flac", made.samples, RATE, subtype="PCM_16")
    (out / "truth.json").write_text(json.dumps(_truth(made), indent=1) + "\n")
    progress(0.4)
    run = replay_recording(
        out / "recording.flac",
        job=job,
        out=out / "run",
        set_aside=None,
        write_page=write_page,
        progress=lambda share: progress(0.4 + 0.6 * share),
    )
    return run, missed_faults(run)


def make_recording(timeline: Timeline) -> Made:
    """The sound of the first run, with one contact that begins early and one that never comes."""
    rng = np.random.default_rng(SEED)
    by_block = {contact.block: contact.id for contact in timeline.contacts}
    script = Script(
        faults=(
            Fault(kind="early", contact=by_block[EARLY], amount=EARLY_S),
            Fault(kind="missing", contact=by_block[NEVER]),
        ),
        snr_db=24.0,
    )
    n_tools = len({contact.tool for contact in timeline.contacts})
    return synthesise(
        timeline,
        script=script,
        voice=draw_voice(rng, EVALUATION_RANGES, RATE, n_tools=n_tools),
        room=draw_room(rng, EVALUATION_RANGES, RATE),
        rate=RATE,
        rng=rng,
    )


def missed_faults(run: Run) -> str:
    """What differs between the planted faults and what was told, "" where nothing does.

    That the microphone clips is no fault of the cuts: some that are drawn do.
    """
    expected = {contact.block or "": VerdictKind.AS_EXPECTED for contact in run.contacts} | PLANTED
    told = {contact.block or "unexpected": contact.verdict for contact in run.contacts}
    wrong = [f"{block} {verdict}" for block, verdict in told.items() if verdict is not expected.get(block)]
    wrong += [f"{block} missing" for block in PLANTED if block not in told]
    block_of = {contact.id: contact.block or "unexpected" for contact in run.contacts}
    of_cuts = [flag for flag in run.flags if flag.kind != "clipping"]
    flagged = sorted((block_of.get(flag.contact or -1, "no contact"), flag.kind) for flag in of_cuts)
    if flagged != sorted((block, str(kind)) for block, kind in PLANTED.items()):
        wrong.append(f"flags: {', '.join(' '.join(flag) for flag in flagged) or 'none'}")
    return "; ".join(wrong)


def _truth(made: Made) -> dict[str, object]:
    """What was made [s], for people who look at it."""
    return {
        "seed": SEED,
        "contacts": [
            {
                "contact": c.contact,
                "start_s": c.start / made.rate,
                "stop_s": c.stop / made.rate,
                "fault": c.fault,
            }
            for c in made.truth.contacts
        ],
        "never": list(made.truth.missing),
    }


def _write_own(path: Path, own: bytes) -> None:
    if path.exists() and path.read_bytes() != own:
        raise RecordingError(
            f"{path} was changed since the demo wrote it and would be lost; choose another --out"
        )
    path.write_bytes(own)


def _prepare(out: Path) -> None:
    if out.is_dir():
        strange = sorted(path.name for path in out.iterdir() if path.name not in OWN)
        if strange:
            raise RecordingError(f"{out} must be a new folder, it holds {strange[0]}; choose another --out")
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in JOB_FILES:
            _write_own(out / name, resources.files("listen.demo").joinpath(name).read_bytes())
    except OSError as error:
        raise RecordingError(f"{out} must be a folder that can be written: {error.strerror}") from None
