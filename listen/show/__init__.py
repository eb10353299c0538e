"""Runs and live sessions as pages."""

from listen.show.compare_page import write_compare_page
from listen.show.replay import write_replay_page, write_run_page, write_run_pages
from listen.show.report_page import write_report_page

__all__ = [
    "write_compare_page",
    "write_replay_page",
    "write_report_page",
    "write_run_page",
    "write_run_pages",
]
