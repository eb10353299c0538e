"""A small invented job with planted faults: made, listened to and shown."""

from listen.demo.demo import run_demo

__all__ = ["run_demo"]
