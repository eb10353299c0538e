"""In a module of its own, so that workers can import it."""

import os
import time
from pathlib import Path

from listen.cli_replay import replay_into


def timed_replay(recording: Path, folder: Path) -> None:
    """Listen to one recording, and note beside the run which process needed how long."""
    began = time.process_time()
    replay_into(recording, folder, job=None)
    spent_s = time.process_time() - began
    folder.with_suffix(".spent").write_text(f"{os.getpid()} {spent_s}")
