"""Times of a log as seconds, one way of writing them after the other."""

import pytest

from listen.errors import RecordingError
from listen.hear.load_times import LogTimes, spread_equal

pytestmark = pytest.mark.closed


def seconds(*cells: object, factor: float = 1.0) -> list[float | None]:
    times = LogTimes("log.csv", factor=factor)
    return [times.seconds(row, cell) for row, cell in enumerate(cells, start=2)]


@pytest.mark.parametrize("per_s", [1, 1_000, 1_000_000, 1_000_000_000])
def test_seconds_since_1970_in_any_unit_count_from_the_first(per_s: int) -> None:
    assert seconds(1_900_000_000 * per_s, 1_900_000_002 * per_s) == [0.0, 2.0]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ((0.5, "1,5", " 2.5 "), [0.5, 1.5, 2.5]),
        ((None, "  ", 3), [None, None, 3.0]),
        ((3599.0, 3601.0), [3599.0, 3601.0]),  # within the hour it counts from the beginning of the sound
        ((3600.0, 3601.0), [0.0, 1.0]),
        (("23:59:59.5", "00:00:01.0"), [0.0, 1.5]),
        (("11:59:59 PM", "12:00:01 am"), [0.0, 2.0]),
        (("59:59.5", "00:01.0"), [0.0, 1.5]),  # minutes and seconds
        (("2030-01-31T08:15:00Z", "2030-01-31T10:15:01+02:00"), [0.0, 1.0]),
    ],
)
def test_each_way_of_writing_a_time(cells: tuple[object, ...], expected: list[float | None]) -> None:
    assert seconds(*cells) == expected


def test_a_unit_of_the_column_is_kept() -> None:
    assert seconds(500, 1500, factor=1e-3) == [0.5, 1.5]


@pytest.mark.parametrize(
    ("cell", "told"), [("soon", "is neither seconds"), ("nan", "must be a finite number")]
)
def test_what_is_no_time_is_named_with_its_row(cell: str, told: str) -> None:
    with pytest.raises(RecordingError, match=rf"^log\.csv row 2: .*{told}"):
        seconds(cell)


def test_whole_seconds_cut_off_at_both_ends_are_spread_from_their_far_side() -> None:
    """Two of four rows of the first second came, three of the last: they lie at its end and its beginning."""
    stamps = [8.0] * 2 + [second for second in (9.0, 10.0, 11.0, 12.0, 13.0) for _ in range(4)] + [14.0] * 3
    spread = spread_equal(stamps)
    assert spread[:4] == [8.5, 8.75, 9.0, 9.25]
    assert spread[-4:] == [13.75, 14.0, 14.25, 14.5]
