"""Whether tool or holder come into a vice jaw or a clamp, or near it."""

import numpy as np

from listen.job import Job
from listen.lengths import length_text, place_text
from listen.program.near import Body, Near, bodies_of, nearest
from listen.program.path import TimedPath
from listen.program.tell import told
from listen.spans import SpanKind
from listen.timeline import Caution

NEAR_MM = 1.0
"""Nearer than this is told: a clamp is not measured better by eye (common practice, no source)."""


def keep_out_cautions(path: TimedPath, job: Job) -> list[Caution]:
    """Where each tool and holder first goes into each keep-out, or else comes nearest to it."""
    found = []
    for which, keep_out in enumerate(job.keep_outs):
        for number in np.unique(path.spans.tool).tolist():
            for body in bodies_of(job.tool(number)):
                near = _nearest(path, job, which, number, body)
                if near is not None:
                    found.append(_caution(path, job, near, body.of_tool(number), keep_out.name))
    return found


def _nearest(path: TimedPath, job: Job, which: int, number: int, body: Body) -> Near | None:
    """Over all work offsets whose zero is known: what is first gone into, or else nearest."""
    found = []
    for index, name in enumerate(path.offset_names):
        seen = job.keep_outs_under(name)
        if seen is None:
            continue
        chosen = (path.offset == index) & (path.spans.tool == number)
        bent = job.machine.rapid_path != "straight"
        near = nearest(path, chosen, seen[which].box, body, within=NEAR_MM, bent=bent)
        found += [] if near is None else [near]
    return min(found, key=lambda near: (near.distance, near.span), default=None)


def _caution(path: TimedPath, job: Job, near: Near, subject: str, name: str) -> Caution:
    where = f"{name!r} on this line, near {place_text(near.place, job.units)}"
    if near.distance > 0.0:
        return told(
            path,
            near.span,
            kind="near a keep-out",
            text=f"{subject} comes within {length_text(near.distance, job.units, 2)} of {where}",
            remedy="measure the clamp again",
        )
    how = "rapid" if path.spans.kind[near.span] == SpanKind.RAPID else "feed"
    return told(
        path,
        near.span,
        kind=f"{how} into a keep-out",
        text=f"{subject} goes into {where}",
        remedy="do not run this; move the clamp, change the path, or correct the keep-out in the job",
    )
