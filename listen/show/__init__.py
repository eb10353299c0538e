"""Runs and live sessions as pages."""

from listen.show.replay import write_replay_page

__all__ = ["write_replay_page"]
