"""What the sheet says of the program files themselves: size, checksum, reach, restart lines."""

import math
from typing import Any

from listen.job import Job
from listen.program import program_facts, read_program, time_program
from listen.program.facts import LowestZ, ProgramFacts
from listen.program.path import TimedPath


def programs_of(path: TimedPath, job: Job) -> list[dict[str, Any]]:
    """Facts of each program file of a job, in the order of running; lengths in mm.

    A file that is not there any more has none.
    """
    found = []
    for name in job.programs:
        if not name.is_file():
            continue
        program = read_program(name, job=job)
        timed = path if len(job.programs) == 1 else time_program(program, job.machine)
        found.append(_values(name.name, program_facts(program, timed), timed))
    return found


def _values(name: str, facts: ProgramFacts, path: TimedPath) -> dict[str, Any]:
    return {
        "name": name,
        "bytes": facts.n_bytes,
        "lines": facts.n_lines,
        "sha256": facts.checksum,
        "first_line": facts.first_line,
        "last_line": facts.last_line,
        "ended_by": facts.ended_by,
        "travel": {"low": [_known(v) for v in facts.low], "high": [_known(v) for v in facts.high]},
        "travels": [
            {"offset": one.offset, "low": [_known(v) for v in one.low], "high": [_known(v) for v in one.high]}
            for one in facts.reaches
        ],
        "lowest": [_lowest(item, path) for item in facts.lowest],
        "restarts": [
            {
                "tool": use.tool,
                "line": use.line,
                "file": path.files[use.file] if use.file < len(path.files) else name,
                "where": path.where(use.file, use.line),
                "taken_for_granted": list(use.taken_for_granted),
            }
            for use in facts.restarts
        ],
    }


def _lowest(item: LowestZ, path: TimedPath) -> dict[str, Any]:
    place = {"tool": item.tool, "z": _known(item.z), "line": item.line, "offset": item.offset}
    return {**place, "where": path.where(item.file, item.line)}


def _known(value: float) -> float | None:
    return round(value, 4) + 0.0 if math.isfinite(value) else None


def program_lines(program: dict[str, Any], shown: Any) -> list[str]:
    """The facts of one program as lines to read, lengths in the job's unit."""
    first, last = (_short(program[key]) for key in ("first_line", "last_line"))
    lows = [f"T{i['tool']} {shown.length(i['z'])} ({i['offset']}, {i['where']})" for i in program["lowest"]]
    return [
        f"{program['name']}: {program['bytes']} bytes, {program['lines']} lines, "
        f"ended by {program['ended_by']}",
        f"SHA-256 {program['sha256']}",
        f"First line {first}   last line {last}",
        *_travels(program, shown),
        f"Lowest Z of each tool: {', '.join(lows) or 'not known'}",
        *(_restart(use) for use in program["restarts"]),
    ]


def _travels(program: dict[str, Any], shown: Any) -> list[str]:
    """One line for each work offset: places under two of them have nothing to do with each other."""
    travels = program["travels"] if len(program["travels"]) > 1 else [{"offset": "", **program["travel"]}]
    return [
        f"Travel{' under ' + one['offset'] if one['offset'] else ''}, rapids and arcs with it, "
        f"{shown.place(one['low'])} to {shown.place(one['high'])}"
        for one in travels
    ]


def _restart(use: dict[str, Any]) -> str:
    restart = f"Restart T{use['tool']} from {use['where']}"
    if not use["taken_for_granted"]:
        return f"{restart}: all that it needs is said from there on"
    return f"{restart} takes for granted: {', '.join(use['taken_for_granted'])}"


def _short(line: str) -> str:
    return line if len(line) <= 30 else line[:29] + "…"
