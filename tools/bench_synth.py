"""How fast sound is made: seconds of sound per second of one core, held against the limit of design.md."""

import sys
import time
from collections.abc import Callable

import numpy as np

from listen.synth import EVALUATION_RANGES, TRAINING_RANGES, Ranges, draw_clip

LIMIT = 20.0
N_CLIPS = 8


def times_real_time(make: Callable[[int], float]) -> tuple[float, float]:
    """Mean over clips and slowest clip, each as seconds of sound per CPU second."""
    ratios = []
    spent, made = 0.0, 0.0
    for seed in range(N_CLIPS):
        began = time.process_time()
        length = make(seed)
        took = time.process_time() - began
        ratios.append(length / took)
        spent, made = spent + took, made + length
    return made / spent, min(ratios)


def clip_maker(ranges: Ranges, rate: int, duration_s: float) -> Callable[[int], float]:
    """A function that makes the clip of a seed and gives its length [s]."""

    def make(seed: int) -> float:
        made = draw_clip(np.random.default_rng(seed), ranges=ranges, rate=rate, duration_s=duration_s)
        return made.samples.size / rate

    return make


def main(arguments: list[str]) -> int:
    """Print the table; 1 where training clips at 48 kHz are slower than the limit."""
    print(f"sound made per CPU second, {N_CLIPS} clips each (limit {LIMIT:g} for training at 48000 Hz)")
    print(f"{'ranges':<12}{'rate':>8}{'clip':>8}{'mean':>10}{'slowest':>10}")
    held = True
    for name, ranges in (("training", TRAINING_RANGES), ("evaluation", EVALUATION_RANGES)):
        for rate, duration_s in ((48000, 20.0), (48000, 60.0), (16000, 20.0)):
            mean, slowest = times_real_time(clip_maker(ranges, rate, duration_s))
            print(f"{name:<12}{rate:>8}{duration_s:>6.0f} s{mean:>9.0f}x{slowest:>9.0f}x")
            held = held and (mean >= LIMIT or rate != 48000 or name != "training")
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
