"""CPU time of the ear beside a general library's mel spectrogram of the same sound."""

import functools
import time

import numpy as np

from listen.blocks import Block
from listen.decide import Model
from listen.ears import SoundEar, shipped_model
from listen.measure import Measure
from tools_ear import clips

RATE = 48000
LENGTH_S = 30.0
REPEATS = 3  # the quickest counts: what else runs on the machine only ever adds
BUDGET = 0.010


def cost() -> dict:
    """Print CPU per second of sound of the whole chain by size of block, and of its two halves."""
    import librosa

    model = shipped_model()
    clip = next(clips.at_ratio(12.0, seed=9, n_clips=1, duration_s=LENGTH_S))
    sound = np.resize(clip.samples, round(RATE * LENGTH_S))
    mel = functools.partial(librosa.feature.melspectrogram, sr=RATE, n_fft=1024, hop_length=480, n_mels=64)
    rows = {}
    for name, size in (("10 ms", 480), ("20 ms", 960), ("50 ms", 2400), ("100 ms", 4800), ("1 s", 48000)):
        blocks = [
            Block(samples=sound[start : start + size], start=start, rate=RATE)
            for start in range(0, sound.size, size)
        ]
        rows[f"chain, blocks of {name}"] = _seconds(lambda blocks=blocks: _hear(model, blocks))
        rows[f"  measure, blocks of {name}"] = _seconds(lambda blocks=blocks: _measured(blocks))
    rows["librosa mel, whole array"] = _seconds(lambda: mel(y=sound))
    rows["librosa mel, blocks of 2048"] = _seconds(
        lambda: [mel(y=sound[i : i + 2048]) for i in range(0, sound.size, 2048)]
    )
    whole = rows["librosa mel, whole array"]
    print(f"\nCPU seconds per second of 48 kHz sound (budget of the chain {BUDGET:.3f}, stretch 0.005)")
    for name, value in rows.items():
        late = f"   over by {value - BUDGET:.4f}" if name.startswith("chain") and value > BUDGET else ""
        print(f"{name:30} {value:.5f}   {value / whole:6.1f} × librosa's whole array{late}")
    return {name.strip(): round(value, 5) for name, value in rows.items()}


def _measured(blocks: list[Block]) -> list:
    measure = Measure(RATE)
    return [made for block in blocks for made in measure.push(block)]


def _hear(model: Model, blocks: list[Block]) -> None:
    ear = SoundEar(model, rate=RATE, keep=False)
    for block in blocks:
        ear.push(block)
    ear.close()


def _seconds(work) -> float:
    """Least CPU time of one thread's worth of work, per second of sound; the first run compiles."""
    work()
    took = []
    for _ in range(REPEATS):
        began = time.process_time()
        work()
        took.append(time.process_time() - began)
    return min(took) / LENGTH_S
