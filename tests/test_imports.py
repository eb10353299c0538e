"""Who may import whom: the table of DEVELOPERS.md, read off the source itself."""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.battery

PACKAGE = Path(__file__).resolve().parents[1] / "listen"
WORDS = frozenset(
    {
        "errors",
        "blocks",
        "states",
        "approach",
        "spans",
        "contact",
        "timeline",
        "followed",
        "told",
        "marks",
        "stage",
        "job",
        "job_file",
        "job_table",
        "job_tools",
        "shipped",
        "lengths",
        "where",
        "real_clock",
        "compiled",
    }
)  # the shared words
STAGES = frozenset({"program", "expect", "hear", "measure", "decide", "follow", "advise", "record"})
MAY_IMPORT: dict[str, frozenset[str]] = {
    **{word: WORDS for word in WORDS},
    **{stage: WORDS for stage in STAGES},
    "expect": WORDS | {"program"},
    "ears": WORDS | STAGES,
    "plan": WORDS | {"program", "expect"},
    "session": WORDS | {"ears", "follow", "advise"},
    "second_hearing": WORDS | {"ears", "follow", "advise"},
    "replay_source": WORDS | {"hear", "record"},
    "replay_run": WORDS | STAGES | {"ears", "plan", "session", "second_hearing", "replay_source"},
    "live_start": WORDS | {"record"},
    "live_run": WORDS | STAGES | {"ears", "session", "second_hearing", "replay_source", "replay_run"},
    "live_ready": WORDS | {"ears", "session", "second_hearing"},
    "report": WORDS | {"record"},
    "demo": WORDS | STAGES | {"plan", "replay_run", "synth"},
    "show": WORDS | {"record"},
    "synth": WORDS | {"expect"},
    "teach": WORDS | {"measure", "decide", "record", "synth", "ears"},
    "coach": WORDS | {"synth", "expect", "record"},
}
ONLY_IN = {
    "numba": {"compiled"},
    "sounddevice": {"hear"},
    "sklearn": {"teach"},
    "starlette": {"show"},
    "uvicorn": {"show"},
    "websockets": {"show"},
    "typer": {"cli", "cli_runs"},
    "torch": set[str](),  # only tools/train
}
OUTSIDE_WORDS = {"numpy", "numba"}  # what shared words may use beside the standard library


def room_of(path: Path) -> str:
    """The folder of `listen` that a file stands in, or its own name at the top."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def imports_of(path: Path) -> Iterator[str]:
    """Every module that a file imports, those inside functions and for types only among them."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute here"
            assert node.module is not None
            yield node.module
            if node.module == "listen":
                yield from (f"listen.{alias.name}" for alias in node.names if alias.name != "__version__")


FILES = sorted(PACKAGE.rglob("*.py"))
IMPORTS = {path: tuple(imports_of(path)) for path in FILES}


@pytest.mark.parametrize("path", FILES, ids=[str(path.relative_to(PACKAGE)) for path in FILES])
def test_each_file_imports_only_what_its_room_may(path: Path) -> None:
    room = room_of(path)
    if room.startswith("cli") or room == "__init__":
        return
    assert room in MAY_IMPORT, f"{room} is not in the table; add it there and in DEVELOPERS.md"
    allowed = MAY_IMPORT[room] | {room}
    inside = {name.split(".")[1] for name in IMPORTS[path] if name.startswith("listen.")}
    assert inside <= allowed, f"{path.name} may not import {sorted(inside - allowed)}"


@pytest.mark.parametrize("path", FILES, ids=[str(path.relative_to(PACKAGE)) for path in FILES])
def test_each_library_stays_in_its_room(path: Path) -> None:
    outside = {name.split(".")[0] for name in IMPORTS[path]}
    wrong = {name for name in outside & set(ONLY_IN) if room_of(path) not in ONLY_IN[name]}
    assert not wrong, f"{path.name} imports {sorted(wrong)}, which belongs elsewhere"


@pytest.mark.parametrize("word", sorted(WORDS))
def test_shared_words_need_little_from_outside(word: str) -> None:
    outside = {name.split(".")[0] for name in IMPORTS[PACKAGE / f"{word}.py"]} - {"listen"}
    assert outside <= OUTSIDE_WORDS | sys.stdlib_module_names


@pytest.mark.parametrize("name", ["cli.py", "cli_runs.py", "cli_stream.py"])
def test_the_command_line_imports_nothing_heavy_before_a_verb_is_chosen(name: str) -> None:
    tree = ast.parse((PACKAGE / name).read_text(encoding="utf-8"))
    at_top = {
        name.split(".")[0] if not name.startswith("listen") else name
        for node in tree.body
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in _names(node)
    } - {"listen.cli_runs", "listen.cli_stream"}
    assert at_top <= {
        "sys",
        "os",
        "contextlib",
        "collections",
        "pathlib",
        "typing",
        "json",
        "typer",
        "listen",
        "listen.errors",
    }


def _names(node: ast.Import | ast.ImportFrom) -> list[str]:
    return [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
