"""Kills, lost devices and full disks, made for real; how much of each run is lost."""

import random
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import soundfile

from listen.record import Run, read_run
from tests.sound_server.server import RATE, SoundServer
from tools.tools_live.room import LiveCommand, Watcher, made_sound, playing, room, small_disk

MOST_LOST_S = 1.0
SEEN_WITHIN_S = 1.0


def kills(n: int, *, at_once: int, seed: int) -> int:
    """End `n` runs with SIGKILL at random moments."""
    rng = random.Random(seed)
    moments = [rng.uniform(1.0, 5.0) for _ in range(n)]
    with (
        room() as server,
        playing(server, made_sound(20.0, seed=seed)),
        tempfile.TemporaryDirectory() as made,
        ThreadPoolExecutor(at_once) as pool,
    ):
        numbers = range(n)
        lost = list(pool.map(lambda k: _killed(server, Path(made) / f"run{k}", moments[k]), numbers))
    return _verdict("kills", [loss for loss in lost if loss is not None], n)


def _killed(server: SoundServer, out: Path, moment_s: float) -> float | None:
    """Sound that the killed run had been given and does not give back [s], None where it does not open."""
    live = LiveCommand(out, server)
    page = Watcher(live.address)
    page.wait_until(moment_s)
    live.kill()
    page.close()
    return _opened(out, lambda run: float(page.now["t"]) - _readable_s(run))


def _opened(out: Path, lost_s: Callable[[Run], float]) -> float | None:
    try:
        return lost_s(read_run(out))
    except (ValueError, OSError, RuntimeError) as error:
        print(f"does not open: {error}")
        return None


def _readable_s(run: Run) -> float:
    """Sound that can be decoded, to its last sample [s]."""
    assert run.sound_path is not None
    samples, rate = soundfile.read(run.sound_path)
    return min(len(samples) / float(rate), run.duration / run.rate)


def disks(n: int, *, seed: int) -> int:
    """Let `n` small file systems fill up under a run."""
    rng = random.Random(seed)
    lost: list[float] = []
    with room() as server, playing(server, made_sound(20.0, seed=seed)):
        for _ in range(n):
            with small_disk(rng.randrange(200, 600)) as disk:
                loss = _filled(server, disk / "run")
            lost += [] if loss is None else [loss]
    return _verdict("full disks", lost, n)


def _filled(server: SoundServer, out: Path) -> float | None:
    """Sound from before the disk was full that the run does not give back [s]."""
    live = LiveCommand(out, server)
    page = Watcher(live.address)
    began = time.monotonic()
    while page.now.get("recording", True) and time.monotonic() - began < 60.0:
        time.sleep(0.01)
    full_s, said = float(page.now["t"]), str(page.now["trouble"])
    time.sleep(1.0)
    page.close()
    live.end()
    print(f"  the page said at {full_s:.1f} s: {said or 'nothing'}")
    return None if not said else _opened(out, lambda run: full_s - _readable_s(run))


def devices(n: int, *, seed: int) -> int:
    """Take the microphone away `n` times in one run, and bring it back."""
    rng = random.Random(seed)
    with room() as server, tempfile.TemporaryDirectory() as made:
        live = LiveCommand(Path(made) / "run", server)
        page = Watcher(live.address)
        page.wait_until(5.0)
        began_s, begun_t = time.monotonic(), float(page.now["t"])
        away = [_unplugged(server, page, rng.uniform(1.0, 2.5)) for _ in range(n)]
        passed = time.monotonic() - began_s
        shift = float(page.now["t"]) - begun_t - passed
        page.close()
        live.end()
        run = read_run(Path(made) / "run")
    lost = [stop - start for start, stop in _joined(run)]
    over = [gap - absent for gap, (_, absent) in zip(lost, away, strict=False)]
    seen = [one for one, _ in away]
    print(
        f"gaps seen after at most {max(seen):.2f} s (limit {SEEN_WITHIN_S}), time shifted by {shift:+.2f} s"
    )
    code = _verdict("device losses, beyond the time without a device", over, n)
    return code if max(seen) <= SEEN_WITHIN_S and abs(shift) < 0.5 else 1


def _unplugged(server: SoundServer, page: Watcher, away_s: float) -> tuple[float, float]:
    """How long until the page knew, and how long the device was away [s]."""
    server.remove_sink()
    removed = time.monotonic()
    _until(page, listening=False)
    seen = time.monotonic() - removed
    time.sleep(max(0.0, away_s - seen))
    server.restore_sink()
    server.wait_for_sound()
    absent = time.monotonic() - removed
    _until(page, listening=True)
    time.sleep(1.5)
    return seen, absent


def _until(page: Watcher, *, listening: bool) -> None:
    until = time.monotonic() + 15.0
    while page.now["listening"] is not listening and time.monotonic() < until:
        time.sleep(0.01)


def _joined(run: Run) -> list[tuple[float, float]]:
    """The gaps [s], those that touch as one; shorter than 0.3 s is a late block, no lost device."""
    joined: list[tuple[float, float]] = []
    for gap in run.gaps:
        start, stop = gap.start / RATE, gap.stop / RATE
        if joined and start <= joined[-1][1] + 0.05:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    return [gap for gap in joined if gap[1] - gap[0] > 0.3]


def _verdict(what: str, lost: list[float], n: int) -> int:
    most = max(lost, default=float("nan"))
    middle = sorted(lost)[len(lost) // 2] if lost else float("nan")
    print(
        f"{what}: {len(lost)} of {n} open; "
        f"lost: median {middle:.2f} s, most {most:.2f} s (limit {MOST_LOST_S})"
    )
    return 0 if len(lost) == n and most <= MOST_LOST_S else 1
