"""What a file is that cannot be listened to, by its first bytes, and how to make it one that can.

References
----------
ISO/IEC 14496-12, section 4.3 (``ftyp``); RFC 4867, section 5.1 (AMR); RFC 8794, section 11.2.1 (EBML, of
which Matroska and WebM are made).
"""

from pathlib import Path

N_FIRST = 64  # bytes
_KINDS = (
    (4, b"ftyp", "an MPEG-4 file (m4a, mp4, 3gp), as phones record"),
    (0, b"#!AMR", "an AMR file, as phones record"),
    (0, b"\x1a\x45\xdf\xa3", "a Matroska or WebM file"),
)
_TEXT = frozenset({*range(0x20, 0x7F), *b"\t\r\n"})


def why_no_sound(path: Path) -> str:
    """What a file is that the library of sound files does not read, and what to do.

    Raises
    ------
    OSError
        Where it cannot be read.
    """
    with path.open("rb") as file:
        first = file.read(N_FIRST)
    for place, mark, what in _KINDS:
        if first[place:].startswith(mark):
            other = path.with_suffix(".flac").name
            return (
                f"{path.name} is {what}; WAV, FLAC, Ogg or MP3 is needed: let the phone record WAV, or "
                f'convert it, as with `ffmpeg -i "{path.name}" -vn "{other}"`'
            )
    guess = "is it the program?" if _TEXT.issuperset(first) else "is it whole?"
    return (
        f"{path.name} is not a sound file that can be read ({path.stat().st_size} bytes); "
        f"WAV, FLAC, Ogg or MP3 is needed; {guess}"
    )
