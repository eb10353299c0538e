"""Nothing is compiled while a run goes on: on a new computer the first CONTACT once came ten seconds late."""

import subprocess
import sys

import pytest

pytestmark = pytest.mark.closed
HEAR = """
import sys
import numpy as np
from numba.core.dispatcher import Dispatcher
from listen.blocks import Block, LoadSample
from listen.ears import SoundEar, shipped_model
from listen.ears import FusedEar
from listen.second_hearing import second_hearing
from listen.session import Session
from listen.synth import EVALUATION_RANGES, draw_clip

def compiled():
    loops = [one for name, module in sys.modules.items() if name.startswith("listen.") and "synth" not in name
             for one in vars(module).values() if isinstance(one, Dispatcher)]
    return sum(len(loop.signatures) for loop in loops)

if "ready" in sys.argv:
    from listen.live_ready import make_ready
    make_ready(rate=48000, model=None)
rng = np.random.default_rng(1)
sound = draw_clip(rng, ranges=EVALUATION_RANGES, rate=48000, duration_s=30.0).samples
before = compiled()
ear = FusedEar(SoundEar(shipped_model(), rate=48000, keep=True), rate=48000, keep=True)
session, told = Session(None, ear=ear, rate=48000), []
while session.heard < sound.size:
    piece = sound[session.heard : session.heard + int(rng.integers(1, 9000))]
    told += session.push(Block(samples=piece, start=session.heard, rate=48000))
    told += session.push(LoadSample(at=session.heard, percent=rng.uniform(9.0, 60.0), kind="load_percent"))
told += session.close()
second_hearing(ear, None, rate=48000, told=told, end=sound.size)
print(compiled() - before, any(type(item).__name__ == "Event" for item in told))
"""


@pytest.mark.parametrize(("word", "none_new"), [("ready", True), ("not so", False)])
def test_what_hears_is_compiled_before_the_run(word: str, none_new: bool) -> None:
    """The second row shows that the first can fail."""
    done = subprocess.run([sys.executable, "-c", HEAR, word], capture_output=True, text=True, check=True)
    n_new, some_heard = done.stdout.split()
    assert some_heard == "True"
    assert (int(n_new) == 0) is none_new
