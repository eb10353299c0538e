"""Made sound, measured and kept as shards of features and labels."""

import faulthandler
import multiprocessing as mp
import os
import time
from pathlib import Path

import numpy as np

from tools_train import splicing

SPLICED_SHARE = 0.25
SHARD_S = 200.0
CLIPS_S = (16.0, 32.0, 64.0, 130.0)
CLIP_SHARES = (0.30, 0.34, 0.24, 0.12)
AGAIN_SHARE = 0.6  # of the clips, which are heard through another recorder, too
# Memory is kept by the process, not given back and asked for anew: an eighth quicker on two cores.
KEEPING = {
    "MALLOC_MMAP_MAX_": "0",
    "MALLOC_TRIM_THRESHOLD_": str(1 << 40),
    "MALLOC_TOP_PAD_": str(1 << 28),
}
RATES = (48000, 44100, 32000, 22050, 16000, 11025, 8000)
RATE_SHARES = (0.34, 0.30, 0.08, 0.08, 0.12, 0.03, 0.05)


def make_shards(out: Path, *, hours: float, minutes: float, workers: int, seed: int) -> None:
    """Make shards until so many hours of sound or minutes of work are done."""
    out.mkdir(parents=True, exist_ok=True)
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MKL_NUM_THREADS="1", **KEEPING)
    until = time.monotonic() + 60.0 * minutes
    n_shards = int(np.ceil(min(hours, 1e5) * 3600.0 / SHARD_S))
    _work_through(out, workers, n_shards, seed, until)
    kept = list(out.glob("*.npz"))
    print(f"{len(kept)} shards, at most {len(kept) * SHARD_S / 3600.0:.1f} h of sound", flush=True)


def _work_through(out: Path, workers: int, n_shards: int, seed: int, until: float) -> None:
    """Keep so many processes at work; one that dies (a library may fail) goes on with its next shard."""
    context = mp.get_context("spawn")
    begun = context.Array("q", [-1] * workers)

    def start(worker: int):
        first = worker if begun[worker] < 0 else begun[worker] + workers
        process = context.Process(
            target=_work, args=(out, worker, workers, first, n_shards, seed, until, begun)
        )
        process.start()
        return process

    running = [start(worker) for worker in range(workers)]
    died = 0
    while any(process.is_alive() for process in running):
        time.sleep(0.2)
        for worker, process in enumerate(running):
            if process.exitcode not in (None, 0) and time.monotonic() < until:
                died += 1
                running[worker] = start(worker)
    if died:
        print(f"{died} times a process died; what it was at is left out", flush=True)


def _work(
    out: Path, worker: int, workers: int, first: int, n_shards: int, seed: int, until: float, begun
) -> None:
    faulthandler.enable()
    for shard in range(first, n_shards, workers):
        if time.monotonic() > until:
            return
        begun[worker] = shard
        features, labels, lengths = _shard(np.random.default_rng([seed, shard]), until)
        if features is not None:
            np.savez(out / f"{seed:03d}-{shard:05d}.npz", features=features, labels=labels, lengths=lengths)


def _shard(rng: np.random.Generator, until: float):
    features, labels, made_s = [], [], 0.0
    while made_s < SHARD_S and time.monotonic() < until:
        duration_s = float(rng.choice(CLIPS_S, p=CLIP_SHARES))
        try:
            found = draw_examples(rng, duration_s=duration_s)
        except ValueError as error:
            print(f"a clip could not be made and is left out: {error}", flush=True)
            continue
        features += [one.features for one in found]
        labels += [one.labels for one in found]
        made_s += duration_s * len(found)
    if not features:
        return None, None, None
    lengths = np.array([len(item) for item in labels], dtype=np.int64)
    return np.concatenate(features), np.concatenate(labels), lengths


def draw_examples(rng: np.random.Generator, *, duration_s: float):
    """One made clip as examples, sometimes followed by those of the same clip behind another recorder."""
    from listen.synth import TRAINING_RANGES, draw_clip
    from listen.teach.dataset import LabelledContact, examples_of

    rate = int(rng.choice(RATES, p=RATE_SHARES))
    made = draw_clip(rng, ranges=TRAINING_RANGES, rate=rate, duration_s=duration_s)
    contacts = [
        LabelledContact(start=c.start, full=c.full, leaving=c.leaving, stop=c.stop)
        for c in made.truth.contacts
    ]
    samples = _start_softly(rng, made.samples, made.rate)
    if rng.random() < SPLICED_SHARE:
        samples, contacts = splicing.splice(rng, samples, contacts, made.rate)
    takes = [samples]
    if rng.random() < AGAIN_SHARE:
        takes.append(_recorded_again(rng, samples, made.rate))
    return [examples_of(take, contacts, rate=made.rate) for take in takes]


def _recorded_again(rng: np.random.Generator, samples: np.ndarray, rate: int) -> np.ndarray:
    """The clip as another microphone and recorder would have it from a loudspeaker."""
    from listen.synth import TRAINING_RANGES
    from listen.synth.microphone import draw_microphone, pick_up

    n_blocks = samples.size // (rate // 10)
    power = np.square(samples[: n_blocks * (rate // 10)]).reshape(n_blocks, -1).mean(axis=1)
    quiet = np.sqrt(np.quantile(power, 0.3)) + 1e-6
    sound = np.asarray(samples / quiet, dtype=np.float32)
    return pick_up(rng, draw_microphone(rng, TRAINING_RANGES, rate), sound, rate).astype(np.float64)


def _start_softly(rng: np.random.Generator, samples: np.ndarray, rate: int) -> np.ndarray:
    """Half of the clips fade in over up to 0.4 s, as recorders with level control begin."""
    if rng.random() < 0.5:
        return samples
    n_fade = int(rng.uniform(0.01, 0.4) * rate)
    gain = np.ones(samples.size)
    gain[:n_fade] = 10.0 ** (np.linspace(-rng.uniform(6.0, 50.0), 0.0, n_fade) / 20.0)
    return samples * gain
