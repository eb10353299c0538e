"""Lengths without a decimal point among others that have one: many controls read them as thousandths."""

import re
from collections.abc import Iterator, Sequence

from listen.timeline import Caution

AMONG = 4  # whole numbers with a point for each without: then the one without is a slip, not a style
_ASIDE = re.compile(r"\([^)]*\)|;.*|^\s*/?\s*N\s*\d+", re.IGNORECASE)
_LENGTH = re.compile(r"([XYZIJKRQ])\s*([-+]?)0*(\d*)(\.0*)?(?![\d.])", re.IGNORECASE)
_OTHERWISE = re.compile(r"[#\[\]]|G\s*0*(?:4|10|28|30|53|65|66)(?![\d.])|[A-Z]{3}", re.IGNORECASE)


def check_points(listing: Sequence[str]) -> list[Caution]:
    """One caution for the first length that was written without its point, where most have one."""
    n_with, without = 0, []
    for number, word, has_point in _wholes(listing):
        if has_point:
            n_with += 1
        else:
            without.append((number, word))
    if not without or n_with < AMONG * len(without):
        return []
    line, word = without[0]
    said = f"{word} and {len(without) - 1} more have" if len(without) > 1 else f"{word} has"
    return [
        Caution(
            kind="decimal point missing",
            line=line,
            text=f"{said} no decimal point, while {n_with} other whole numbers have: "
            "many controls take it for thousandths of a millimetre, or ten-thousandths of an inch",
            remedy=f"write {word}. unless it is meant; how a control reads it is said in the job: "
            '[machine] dialect = {whole_numbers = "as written"} or "thousandths"',
        )
    ]


def _wholes(listing: Sequence[str]) -> Iterator[tuple[int, str, bool]]:
    """Line, word, and whether it has a point, of each whole length that is not nothing."""
    for number, line in enumerate(listing, start=1):
        text = _ASIDE.sub(" ", line)
        if _OTHERWISE.search(text):
            continue
        for letter, sign, digits, point in _LENGTH.findall(text):
            if digits:
                yield number, f"{letter.upper()}{sign}{digits}", bool(point)
