"""The files that a program is made of: its own, and subprograms beside it."""

from pathlib import Path

from listen.errors import InputError, ProgramError
from listen.program.expression import Wrong
from listen.program.labels import Labels
from listen.program.plain import PlainLines
from listen.program.text import Source, read_source

ENDINGS = ("", ".nc", ".ngc", ".NC", ".tap", ".txt", ".cnc", ".gcode")


class Files:
    """All files read so far, the main one first.

    Parameters
    ----------
    source : Source
        The main file.
    fast : bool
        Whether runs of plain lines are read by the kernel.
    """

    def __init__(self, source: Source, *, fast: bool) -> None:
        self._fast = fast
        self.sources = [source]
        self.labels = [Labels(source)]
        self.plain: list[PlainLines | None] = [PlainLines(source) if fast else None]

    def find_program(self, number: int, file: int) -> tuple[int, int] | None:
        """File and first line of subprogram O`number`: in this file, the main one, or one of its own."""
        for place in dict.fromkeys([file, 0]):
            index = self.labels[place].programs.get(number)
            if index is not None:
                return place, index + 1
        for stem in dict.fromkeys(
            (f"O{number}", f"O{number:04d}", f"o{number}", f"o{number:04d}", f"{number}")
        ):
            file_index = self._open(stem)
            if file_index is not None:
                programs = self.labels[file_index].programs
                return file_index, programs.get(number, self.sources[file_index].first - 1) + 1
        return None

    def _open(self, stem: str) -> int | None:
        """Index of a file beside the main one, read now if it is there."""
        main = self.sources[0].path
        if main is None or not stem or "/" in stem or "\\" in stem:
            return None
        for ending in ENDINGS:
            path = main.parent / f"{stem}{ending}"
            known_file = next((i for i, s in enumerate(self.sources) if s.path == path), None)
            if known_file is not None:
                return known_file
            if _is_file(path):
                return self._add(path)
        return None

    def _add(self, path: Path) -> int:
        if len(self.sources) >= 1000:
            raise Wrong("more than 1000 files are called")
        try:
            source = read_source(path)
        except (InputError, ProgramError) as error:
            raise Wrong(str(error)) from None
        self.sources.append(source)
        self.labels.append(Labels(source))
        self.plain.append(PlainLines(source) if self._fast else None)
        return len(self.sources) - 1

    def find_sub(self, label: str | int, file: int) -> tuple[int, int] | None:
        """File and line of ``o label sub``, looked for in the same places."""
        for place in dict.fromkeys([file, 0]):
            index = self._sub_in(place, label)
            if index is not None:
                return place, index
        opened = self._open(str(label))
        if opened is None:
            return None
        index = self._sub_in(opened, label)
        return None if index is None else (opened, index)

    def _sub_in(self, file: int, label: str | int) -> int | None:
        places = self.labels[file].statements.get(label, [])
        return next((index for index, keyword in places if keyword == "sub"), None)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False
