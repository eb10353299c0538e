"""What the replay page is told."""

from pathlib import Path

import numpy as np
import pytest

from listen.blocks import Block
from listen.record import RunWriter
from listen.show.contract import run_page
from listen.timeline import Flag

pytestmark = pytest.mark.closed
RATE = 8000


def test_flags_stand_in_the_order_in_which_they_happened(tmp_path: Path) -> None:
    """One that was found when the run was heard again was written last, and may be the first to look at."""
    with RunWriter(tmp_path / "run", rate=RATE, live=False, sound="none") as writer:
        writer.push(Block(samples=np.zeros(RATE * 9), start=0, rate=RATE))
        for at_s, kind in ((7, "not heard"), (3, "started early")):
            writer.push(Flag(at=at_s * RATE, kind=kind, contact=None, text="Look."))
        run = writer.finish()
    assert [flag["kind"] for flag in run_page(run)["flags"]] == ["started early", "not heard"]
