"""Load logs: columns, times, gaps and duplicates, and the marks in them."""

from pathlib import Path

import numpy as np
import pytest

from listen.blocks import LoadSample
from listen.errors import InputError, RecordingError
from listen.hear.clock import ClockMap
from listen.hear.load_csv import columns_taken, parse_columns, read_load_log
from listen.marks import Mark, MarkKind

RATE = 48000


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


def loads(items: tuple[LoadSample | Mark, ...]) -> list[tuple[float, float]]:
    return [(item.at / RATE, item.percent) for item in items if isinstance(item, LoadSample)]


@pytest.mark.closed
@pytest.mark.parametrize(
    ("header", "times"),
    [
        ("time_s", ["0", "0.2", "0.4"]),
        ("time", ["2030-01-31T08:15:00Z", "2030-01-31T08:15:00.200Z", "2030-01-31T09:15:00.400+01:00"]),
        ("sample", ["0", "9600", "19200"]),
    ],
)
def test_three_ways_to_write_time_give_the_same_samples(
    tmp_path: Path, header: str, times: list[str]
) -> None:
    rows = "\n".join(f"{time},{value}" for time, value in zip(times, (1.0, 2.0, -3.5), strict=True))
    log = read_load_log(table(tmp_path, f"{header},current_a\n{rows}\n"), rate=RATE)
    assert loads(log.items) == [(0.0, 1.0), (0.2, 2.0), (0.4, -3.5)]
    assert log.kind == "current_a"
    assert log.duration_s == pytest.approx(0.4, abs=1e-9)


@pytest.mark.closed
def test_gaps_and_duplicates_are_passed_over_and_marks_come_once(tmp_path: Path) -> None:
    text = (
        "time_s,load_percent,line,execution,feed_override\n"
        "0,1,10,READY,100\n0.2,1,10,ACTIVE,100\n0.2,1,10,ACTIVE,100\n0.4,,11,ACTIVE,100\n"
        "9.0,7,12,FEED_HOLD,50\n9.2,7,12,ACTIVE,50\n"
    )
    log = read_load_log(table(tmp_path, text), rate=RATE)
    assert loads(log.items) == [(0.0, 1.0), (0.2, 1.0), (9.0, 7.0), (9.2, 7.0)]
    marks = [(m.at / RATE, m.kind, m.value) for m in log.items if isinstance(m, Mark)]
    assert [(at, kind) for at, kind, _ in marks if kind not in (MarkKind.LINE, MarkKind.FEED_OVERRIDE)] == [
        (0.2, MarkKind.CYCLE_START),
        (9.0, MarkKind.HOLD),
        (9.2, MarkKind.RESUME),
    ]
    assert [value for _, kind, value in marks if kind == MarkKind.LINE] == [10, 11, 12]
    assert [value for _, kind, value in marks if kind == MarkKind.FEED_OVERRIDE] == [100, 50]


@pytest.mark.closed
@pytest.mark.parametrize("later", ["1700000000", "1e300"])
def test_a_clock_that_was_set_far_ahead_is_refused_and_not_waited_for(tmp_path: Path, later: str) -> None:
    """Seconds since 1970 after seconds since the start: the frames between would never end."""
    path = table(tmp_path, f"time_s,load_percent\n81.0,1\n81.2,1\n{later},1\n")
    with pytest.raises(
        RecordingError, match=r"row 4: time jumps by .* days, at most one is followed; was the"
    ):
        read_load_log(path, rate=RATE)


@pytest.mark.closed
def test_time_that_runs_backwards_is_refused_with_its_row(tmp_path: Path) -> None:
    path = table(tmp_path, "time_s,load_percent\n81.0,1\n81.2,1\n80.95,1\n")
    with pytest.raises(
        RecordingError, match=r"row 4: time jumps from 81\.200 s back to 80\.950 s; times must"
    ):
        read_load_log(path, rate=RATE)


@pytest.mark.closed
def test_other_headers_come_through_a_column_map(tmp_path: Path) -> None:
    path = table(tmp_path, "Stamp (s),Spindle,Block\n1,3.5,N20 G1 X4\n2,4.5,N30\n")
    log = read_load_log(
        path,
        rate=RATE,
        columns=parse_columns("time=Stamp (s),load=Spindle,block=Block"),
        lines_of_blocks={"N20": 2, "N30": 3},
        clock=ClockMap(offset_s=0.5),
    )
    assert loads(log.items) == [(1.5, 3.5), (2.5, 4.5)]
    assert [m.value for m in log.items if isinstance(m, Mark)] == [2, 3]
    with pytest.raises(RecordingError, match=r"no column 'Spindel'.*did you mean 'Spindle'"):
        read_load_log(path, rate=RATE, columns={"time": "Stamp (s)", "load": "Spindel"})
    with pytest.raises(InputError, match="got 'laod'; did you mean 'load'"):
        parse_columns("laod=Spindle")


@pytest.mark.closed
def test_semicolons_with_decimal_commas_are_read(tmp_path: Path) -> None:
    log = read_load_log(table(tmp_path, "time_s;power_w\n0,5;1200,5\n1,0;1300\n"), rate=RATE)
    assert loads(log.items) == [(0.5, 1200.5), (1.0, 1300.0)]
    assert log.kind == "power_w"


LOGS = {  # invented: text of a log, kind, values, and marks as (s, value)
    "decimal commas, time of day, N words, German words": (
        "Zeit;Spindellast [%];Satz\n08:15:00,0;1,5;N20\n08:15:00,2;2,5;30\n",
        ("load_percent", [(0.0, 1.5), (0.2, 2.5)], [(0.0, 2.0), (0.2, 3.0)]),
    ),
    "past midnight, a date apart": (
        "Datum;Uhrzeit;Last Spindel (%)\n31.01.2030;23:59:59,8;1,5\n01.02.2030;00:00:00,0;2,5\n",
        ("load_percent", [(0.0, 1.5), (0.2, 2.5)], []),
    ),
    "tabs, milliseconds, a measured speed": (
        "Time (ms)\tS1 Load %\tSpindle Speed (rpm)\n0\t1\t6000\n200\t2.5\t6004\n400\t2\t7000\n",
        ("load_percent", [(0.0, 1.0), (0.2, 2.5), (0.4, 2.0)], [(0.0, 6000.0), (0.4, 7000.0)]),
    ),
    "a row of units, the load of axes": (
        "Time,X Load,Spindle Load,Z Load\ns,%,%,%\n0,9,1,8\n0.2,9,2,8\n",
        ("load_percent", [(0.0, 1.0), (0.2, 2.0)], []),
    ),
    "lines above the header, kilowatts": (
        "Log of mill 2\nsep=;\nTimestamp;Spindle Power (kW);Feed rate (mm/min)\n0.0;0.5;100\n0.2;0.7;100\n",
        ("power_w", [(0.0, 500.0), (0.2, 700.0)], []),
    ),
    "a header that is a comment": (
        "# time_s, load\n0.0, 1\n0.2, 2\n",
        ("load_percent", [(0.0, 1.0), (0.2, 2.0)], []),
    ),
    "milliseconds since 1970": (
        "timestamp,SpindleLoad\n1900000000000,12 %\n1900000000200,13 %\n",
        ("load_percent", [(0.0, 12.0), (0.2, 13.0)], []),
    ),
    "another way to write dates": (
        "Date Time,Spindle Current (mA)\n01/31/2030 12:59:59.9 PM,1500\n01/31/2030 01:00:00.1 PM,-\n"
        "01/31/2030 01:00:00.3 PM,2000\n",
        ("current_a", [(0.0, 1.5), (0.4, 2.0)], []),
    ),
    "torque between bars": (
        "time | spindle torque [Nm]\n0 | 1\n1 | 2\n",
        ("torque_nm", [(0.0, 1.0), (1.0, 2.0)], []),
    ),
    "shares of one": (
        "time,spindle load\n0,0.01\n0.2,0.35\n",
        ("load_percent", [(0.0, 1.0), (0.2, 35.0)], []),
    ),
    "minutes and seconds": (
        "Time,Load\n59:59.8,1\n00:00.0,2\n",
        ("load_percent", [(0.0, 1.0), (0.2, 2.0)], []),
    ),
    "thousands": (
        '"Time";"Power"\n"0,0";"1.234,5"\n"0,2";"900"\n',
        ("power_w", [(0.0, 1234.5), (0.2, 900.0)], []),
    ),
    "seconds since a control was switched on": (
        "time,load\n48213.0,1\n48213.2,2\n",
        ("load_percent", [(0.0, 1.0), (0.2, 2.0)], []),
    ),
    "nothing known": ("Time,Load\n0,UNAVAILABLE\n0.2,2\n0.4,\n", ("load_percent", [(0.2, 2.0)], [])),
}


@pytest.mark.closed
@pytest.mark.parametrize(("text", "said"), LOGS.values(), ids=LOGS.keys())
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp1252"])
def test_logs_as_others_write_them_are_read_without_a_map(
    tmp_path: Path,
    text: str,
    said: tuple[str, list[tuple[float, float]], list[tuple[float, float]]],
    encoding: str,
) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text, encoding=encoding)
    log = read_load_log(path, rate=RATE, lines_of_blocks={"N20": 2, "N30": 3})
    kind, values, marks = said
    assert log.kind == kind
    np.testing.assert_allclose(loads(log.items), values, rtol=0, atol=1e-9)
    assert [(m.at / RATE, m.value) for m in log.items if isinstance(m, Mark)] == marks


@pytest.mark.closed
def test_stamps_of_whole_seconds_are_spread(tmp_path: Path) -> None:
    rows = "".join(f"08:15:{i // 5:02d},{i}\n" for i in range(25))
    log = read_load_log(table(tmp_path, f"Time,Load\n{rows}"), rate=RATE)
    expected = [(0.2 * i, float(i)) for i in range(25)]
    np.testing.assert_allclose(loads(log.items), expected, rtol=0, atol=1e-9)


@pytest.mark.closed
def test_parquet_is_read_like_csv(tmp_path: Path) -> None:
    pyarrow = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    path = tmp_path / "log.parquet"
    parquet.write_table(pyarrow.table({"time_s": [0.0, 0.2], "load_percent": [3.0, None]}), path)
    assert loads(read_load_log(path, rate=RATE).items) == [(0.0, 3.0)]
    path.write_bytes(b"no table")
    with pytest.raises(RecordingError, match="is not a Parquet table"):
        read_load_log(path, rate=RATE)


@pytest.mark.closed
def test_what_is_no_load_log_is_refused_in_one_line(tmp_path: Path) -> None:
    for text, message in {
        "": r"is empty \(0 bytes\)",
        "time_s,load_percent\n": "has a header and no rows",
        "a,b\n1,2\n": "needs a column time_s and one of load_percent",
        "0,1\n1,2\n": "begins with numbers; a header such as",
        "time_s,load_percent\nsoon,2\n": "row 2: time 'soon' is neither seconds nor ISO 8601",
        "time_s,load_percent\n1,lots\n": "row 2: load_percent must be a number, got 'lots'",
        "time_s,load_percent\nnan,2\n": "row 2: time is nan",
    }.items():
        with pytest.raises(RecordingError, match=message) as raised:
            read_load_log(table(tmp_path, text), rate=RATE)
        assert "\n" not in str(raised.value)


@pytest.mark.closed
def test_a_log_says_which_column_was_read_as_what(tmp_path: Path) -> None:
    """Where headers are told by their words a wrong one would go unseen."""
    path = table(tmp_path, "Zeit [s];Spindellast [%];Satz\n0,0;12,5;N10\n0,2;13,0;N10\n")
    said = columns_taken(path)
    assert said.startswith("log.csv is read as: ")
    for part in ("time from “Zeit”", "load_percent from “Spindellast”"):
        assert part in said.replace(" [s]", "").replace(" [%]", "")
