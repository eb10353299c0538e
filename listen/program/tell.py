"""A caution about one span of a path."""

from listen.program.path import TimedPath
from listen.timeline import Caution


def told(path: TimedPath, span: int, *, kind: str, text: str, remedy: str) -> Caution:
    """A caution about a span, which names its file where that is not the main one."""
    file = int(path.file[span])
    where = f" (in {path.files[file]})" if file else ""
    return Caution(kind=kind, line=int(path.spans.line[span]), text=text + where, remedy=remedy)
