"""The whole chain on one recording: from file to page, and processor time per second of sound."""

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from listen.ears import SoundEar, shipped_model
from listen.hear import read_blocks
from listen.replay_run import replay_recording
from listen.session import Session
from listen.show import write_replay_page
from listen.synth import EVALUATION_RANGES, draw_clip

RATE = 48000
PAGE_BUDGET_S = 25.0  # for 30 minutes
CHAIN_BUDGET = 0.01  # seconds per second


def main(arguments: list[str]) -> int:
    """Time a made recording; 1 where a budget is missed."""
    parser = argparse.ArgumentParser(prog="tools/bench chain")
    parser.add_argument("--minutes", type=float, default=30.0)
    minutes = parser.parse_args(arguments).minutes
    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / "made.flac"
        make_recording(path, minutes)
        share = _chain(path, minutes)
        cpu_s, wall_s = _to_page(path, Path(made) / "run")
    budget_s = PAGE_BUDGET_S * minutes / 30.0
    print(f"ear and session, 10 ms blocks: {share:.4f} s per second of sound (budget {CHAIN_BUDGET})")
    print(
        f"{minutes:g} min from file to page: {cpu_s:.1f} s processor, {wall_s:.1f} s clock "
        f"(budget {budget_s:.1f} s)"
    )
    return 0 if share <= CHAIN_BUDGET and cpu_s <= budget_s else 1


def make_recording(path: Path, minutes: float) -> None:
    """Clips of the evaluation machines, one after the other."""
    rng = np.random.default_rng(4)
    clips = [draw_clip(rng, ranges=EVALUATION_RANGES, rate=RATE, duration_s=30.0).samples for _ in range(4)]
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16") as file:
        for number in range(round(minutes * 2)):
            file.write(clips[number % len(clips)])


def _chain(path: Path, minutes: float) -> float:
    """Live as it would be: blocks of 10 ms, after one pass that compiles."""
    blocks = list(read_blocks(path, block_samples=RATE // 100))[: round(min(minutes, 2.0) * 6000)]
    for _ in range(2):
        session = Session(None, ear=SoundEar(shipped_model(), rate=RATE, keep=False), rate=RATE)
        began = time.process_time()
        for block in blocks:
            session.push(block)
        spent_s = time.process_time() - began
    return spent_s / (len(blocks) / 100.0)


def _to_page(path: Path, out: Path) -> tuple[float, float]:
    cpu, wall = time.process_time(), time.perf_counter()
    replay_recording(path, out=out, write_page=write_replay_page)
    return time.process_time() - cpu, time.perf_counter() - wall
