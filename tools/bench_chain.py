"""The whole chain on one recording: from file to page, and processor time per second of sound."""

import argparse
import tempfile
import time
from itertools import islice
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
AS_LIVE_MS = 60  # a block as the microphone gives it


def main(arguments: list[str]) -> int:
    """Time a made recording; 1 where a budget is missed."""
    parser = argparse.ArgumentParser(prog="tools/bench chain")
    parser.add_argument("--minutes", type=float, default=30.0)
    minutes = parser.parse_args(arguments).minutes
    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / "made.flac"
        make_recording(path, minutes)
        share, as_live = (_chain(path, minutes, block_ms) for block_ms in (10, AS_LIVE_MS))
        cpu_s, wall_s = _to_page(path, Path(made) / "run")
    budget_s = PAGE_BUDGET_S * minutes / 30.0
    print(f"ear and session, 10 ms blocks: {share:.4f} s per second of sound (budget {CHAIN_BUDGET})")
    print(f"the same in blocks of {AS_LIVE_MS} ms, as live: {as_live:.4f} s")
    print(
        f"{minutes:g} min from file to page: {cpu_s:.1f} s processor, {wall_s:.1f} s clock "
        f"(budget {budget_s:.1f} s, for each)"
    )
    return 0 if share <= CHAIN_BUDGET and max(cpu_s, wall_s) <= budget_s else 1


def make_recording(path: Path, minutes: float) -> None:
    """Clips of the evaluation machines, one after the other."""
    rng = np.random.default_rng(4)
    clips = [draw_clip(rng, ranges=EVALUATION_RANGES, rate=RATE, duration_s=30.0).samples for _ in range(4)]
    with soundfile.SoundFile(path, "w", RATE, 1, "PCM_16") as file:
        for number in range(round(minutes * 2)):
            file.write(clips[number % len(clips)])


def _chain(path: Path, minutes: float, block_ms: int) -> float:
    """Block by block, after one pass that compiles."""
    n_blocks = round(min(minutes, 2.0) * 60_000) // block_ms
    blocks = list(islice(read_blocks(path, block_samples=RATE * block_ms // 1000), n_blocks))
    for _ in range(2):
        session = Session(None, ear=SoundEar(shipped_model(), rate=RATE, keep=False), rate=RATE)
        began = time.process_time()
        for block in blocks:
            session.push(block)
        spent_s = time.process_time() - began
    return 1000.0 * spent_s / (len(blocks) * block_ms)


def _to_page(path: Path, out: Path) -> tuple[float, float]:
    cpu, wall = time.process_time(), time.perf_counter()
    replay_recording(path, out=out, write_page=write_replay_page)
    return time.process_time() - cpu, time.perf_counter() - wall
