"""The ranges from which training and evaluation clips are drawn, held apart from each other.

Conventions
-----------
A tuple of (low, high) pairs is a set of spans drawn evenly on a logarithmic scale; a pair is one span.
"""

from dataclasses import dataclass

from listen.errors import InputError

Span = tuple[float, float]
Spans = tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranges:
    """What a clip may be made of.

    Attributes
    ----------
    rpm, diameter_mm, radial_ratio, feed_per_tooth_mm : Spans
        Of the cut.
    flutes : tuple of int
    ways : tuple of str
    damping : Spans
        Of the tool's and the machine's modes.
    room_decay_s : Spans
        Time in which the enclosure's echo falls by 60 dB.
    snr_db : tuple of (share, low, high)
        Mixture from which a clip's signal to noise ratio is drawn, for single contacts with
        `snr_spread_db` about it.
    coolant, talk, bump, codec : tuple of str
        Recipes; training and evaluation have none in common.
    air_share : float
        Share of clips without any contact.
    seed_word : int
        Goes into every voice, so that no voice of one set occurs in the other, whatever the seed.
    """

    rpm: Spans
    diameter_mm: Spans
    radial_ratio: Spans
    feed_per_tooth_mm: Spans
    flutes: tuple[int, ...]
    ways: tuple[str, ...]
    damping: Spans
    room_decay_s: Spans
    snr_db: tuple[tuple[float, float, float], ...]
    snr_spread_db: float
    coolant: tuple[str, ...]
    talk: tuple[str, ...]
    bump: tuple[str, ...]
    codec: tuple[str, ...]
    air_share: float
    seed_word: int

    def __post_init__(self) -> None:
        for name in ("rpm", "diameter_mm", "radial_ratio", "feed_per_tooth_mm", "damping", "room_decay_s"):
            if not all(0.0 < low < high for low, high in getattr(self, name)):
                raise InputError(f"{name} needs spans with 0 < low < high, got {getattr(self, name)}")
        if not abs(sum(share for share, _, _ in self.snr_db) - 1.0) < 1e-9:
            raise InputError(f"the shares of snr_db must add up to 1, got {self.snr_db}")


SNR_DB = ((0.55, 0.0, 15.0), (0.15, -3.0, 4.0), (0.30, 12.0, 30.0))
FAINTER_SNR_DB = ((0.50, 0.0, 15.0), (0.27, -4.0, 5.0), (0.23, 12.0, 30.0))

TRAINING_RANGES = Ranges(
    rpm=((400.0, 2900.0), (3300.0, 5600.0), (6400.0, 10500.0), (12000.0, 24000.0)),
    diameter_mm=((1.0, 5.5), (6.8, 15.0), (18.0, 80.0)),
    radial_ratio=((0.02, 0.08), (0.1, 0.28), (0.36, 0.7), (0.78, 1.0)),
    feed_per_tooth_mm=((0.008, 0.04), (0.048, 0.09), (0.105, 0.3)),
    flutes=(1, 2, 3, 4, 5, 6, 8),
    ways=("side", "slot", "face", "drill", "plunge"),
    damping=((0.002, 0.012), (0.016, 0.06)),
    room_decay_s=((0.02, 0.11), (0.15, 0.3), (0.4, 0.9)),
    snr_db=FAINTER_SNR_DB,
    snr_spread_db=3.0,
    coolant=("flood", "mist", "hiss", "splash", "foam", "gargle"),
    talk=("sung table", "murmur", "spoken", "spoken"),
    bump=("modes", "slide", "scrape", "beep"),
    codec=("bands", "bands", "holes", "holes", "suppressing", "vorbis", "opus", "mp3", "telephone", "twice"),
    air_share=0.2,
    seed_word=11,
)

EVALUATION_RANGES = Ranges(
    rpm=((2900.0, 3300.0), (5600.0, 6400.0), (10500.0, 12000.0)),
    diameter_mm=((5.5, 6.8), (15.0, 18.0)),
    radial_ratio=((0.08, 0.1), (0.28, 0.36), (0.7, 0.78)),
    feed_per_tooth_mm=((0.04, 0.048), (0.09, 0.105)),
    flutes=(2, 3, 4, 7),
    ways=("side", "slot", "face", "drill", "plunge"),
    damping=((0.012, 0.016),),
    room_decay_s=((0.11, 0.15), (0.3, 0.4)),
    snr_db=SNR_DB,
    snr_spread_db=3.0,
    coolant=("patter", "jet"),
    talk=("filtered pulses",),
    bump=("plate", "rattle", "chirp"),
    codec=("cosine",),
    air_share=0.2,
    seed_word=12,
)
