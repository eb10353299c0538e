"""Whether the ear hears in a preview exactly what the sheet expects, what of planted faults, and how fast."""

import argparse
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from listen.coach.preview import RATE, PreviewSettings, make_preview
from listen.job_file import load_job
from listen.plan import Plan, plan_job
from listen.record import Run
from listen.replay_run import replay_recording

ROOT = Path(__file__).resolve().parents[1]
JOBS = (
    ROOT / "listen/demo/bracket.toml",
    ROOT / "recordings_synthetic/step.toml",
    ROOT / "tests/jobs/two_passes.toml",
)
FIRST_SEED = 20
FAULTS = {
    "early": "started early",
    "missing": "not heard",
    "half-way": "ended early",
    "chatter": "chatter",
    "dull": "",
    "broken tooth": "",
    "rubbing": "",
}
FAULT_JOB = JOBS[1]
SLOW_JOB = JOBS[2]
SLOW_PERCENT = 10
LEAST_SPEED = 20.0  # times real time


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One preview, made and listened to."""

    run: Run
    seconds: float
    made_in_s: float

    @property
    def odd(self) -> str:
        """What differs from the sheet, "" where nothing does."""
        told = Counter(str(contact.verdict) for contact in self.run.contacts)
        told.update(f"flag {flag.kind}" for flag in self.run.flags)
        told.pop("as expected", None)
        return ", ".join(f"{n} {what}" for what, n in told.items())


def listen_to(plan: Plan, job: Path, settings: PreviewSettings) -> Heard:
    """Make a preview of a job in a folder of its own, and listen to its sound with the same job."""
    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        made = make_preview(plan.timeline, Path(folder) / "made", settings=settings, write_page=no_page)
        took = time.process_time() - began
        assert made.sound_path is not None
        run = replay_recording(made.sound_path, job=job, out=Path(folder) / "heard", write_page=no_page)
    return Heard(run=run, seconds=made.duration / RATE, made_in_s=took)


def no_page(run: Run, path: Path) -> None:
    """The page is not what is judged here."""


def main(arguments: list[str]) -> int:
    """Print one line a preview; 1 where it was made slower than twenty times real time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--fault-seeds", type=int, default=2)
    asked = parser.parse_args(arguments)
    seeds = range(FIRST_SEED, FIRST_SEED + asked.seeds)
    rows = [heard for job in JOBS for heard in right_previews(job, seeds)]
    with tempfile.TemporaryDirectory() as folder:
        rows += right_previews(at_override(SLOW_JOB, Path(folder), SLOW_PERCENT), seeds)
    exact = sum(not row.odd for row in rows)
    n_contacts = sum(len(row.run.contacts) for row in rows)
    n_right = sum(str(c.verdict) == "as expected" for row in rows for c in row.run.contacts)
    print(f"exactly the sheet: {exact} of {len(rows)} previews; {n_right} of {n_contacts} contacts")
    faults(range(FIRST_SEED, FIRST_SEED + asked.fault_seeds))
    if not rows:
        return 0
    speed = sum(row.seconds for row in rows) / sum(row.made_in_s for row in rows)
    print(f"made at {speed:.0f} times real time, by processor time (limit {LEAST_SPEED:.0f})")
    return 0 if speed >= LEAST_SPEED else 1


def right_previews(job: Path, seeds: range) -> list[Heard]:
    """Previews without a fault, coolant on in every second."""
    plan, rows = plan_job(load_job(job)), []
    for seed in seeds:
        coolant = bool(seed % 2)
        heard = listen_to(plan, job, PreviewSettings(seed=seed, coolant=coolant))
        rows.append(heard)
        wet = "coolant" if coolant else "dry"
        n = len(plan.timeline.contacts)
        print(
            f"{job.stem:12} seed {seed} {wet:8} {n} contacts: {heard.odd or 'exactly the sheet'}", flush=True
        )
    return rows


def at_override(job: Path, folder: Path, percent: int) -> Path:
    """A copy of a job and its program, to be run at another feed override."""
    for path in job.parent.glob(f"{job.stem}.*"):
        (folder / path.name).write_bytes(path.read_bytes())
    copy = folder / f"{job.stem}_{percent}.toml"
    text = job.read_text("utf-8")
    assert "feed_override = 100" in text
    copy.write_text(text.replace("feed_override = 100", f"feed_override = {percent}"), "utf-8")
    return copy


def faults(seeds: range) -> None:
    """What the ear makes of each planted fault, in one job."""
    plan = plan_job(load_job(FAULT_JOB))
    for fault, wanted in FAULTS.items():
        for seed in seeds:
            heard = listen_to(plan, FAULT_JOB, PreviewSettings(seed=seed, fault=fault))
            planted = heard.run.contacts[1]
            told = f"contact 2 {planted.verdict}, strength {planted.strength}"
            flags = (
                "; ".join(f"{flag.kind} at contact {flag.contact or '-'}" for flag in heard.run.flags)
                or "no flag"
            )
            findings = ", ".join(sorted({finding.kind for finding in heard.run.findings}))
            told += f"; heard {findings}" if findings else ""
            verdict = "" if not wanted else " right" if wanted in f"{told} {flags}" else " NOT FOUND"
            print(f"{fault:12} seed {seed}: {told}; {flags}{verdict}", flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
