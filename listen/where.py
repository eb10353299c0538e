"""Where a line of the program stands, in the words that every screen, page and message uses."""


def block_of(name: str | None, line: int, file: str = "") -> str:
    """A block as it is known by: its N word or the number of its line, and the file where it is another.

    Examples
    --------
    >>> block_of("N240", 31), block_of(None, 31), block_of("N30", 5, "O2000.nc")
    ('N240', 'line 31', 'N30 in O2000.nc')
    """
    known = name or f"line {line}"
    return f"{known} in {file}" if file else known


def said_block(block: str, line: int) -> str:
    """A block, as `block_of` gives it, by its N word, which the control shows, and by its number in the file.

    Examples
    --------
    >>> said_block("N240", 31), said_block("line 31", 31), said_block("", 31)
    ('N240 (line 31)', 'line 31', 'line 31')
    >>> said_block("N30 in O2000.nc", 5), said_block("line 5 in O2000.nc", 5)
    ('N30 (line 5) in O2000.nc', 'line 5 in O2000.nc')
    """
    if not block.startswith("N"):
        return block or f"line {line}"
    name, within, file = block.partition(" in ")
    return f"{name} (line {line}){within}{file}"
