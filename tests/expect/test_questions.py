"""The questions of `cut-listen job`: facts from the program, defaults, job text, what is said back."""

from pathlib import Path

import pytest

from listen.cli_job import asked, job_of, make_job
from listen.errors import InputError
from listen.expect.facts import diameter_in, pitch_in, read_facts
from listen.expect.setup_job import job_text
from listen.expect.setup_questions import questions
from listen.expect.setup_said import drawn, said_back
from listen.job import Box, Cylinder
from listen.job_file import load_job
from listen.program import check_program, read_program, time_program
from tests.expect.test_sheet import PROGRAM

pytestmark = pytest.mark.closed


@pytest.fixture
def program(tmp_path: Path) -> Path:
    (tmp_path / "plate.nc").write_text(PROGRAM)
    return tmp_path / "plate.nc"


def test_facts_come_from_words_and_comments(program: Path) -> None:
    facts = read_facts(read_program(program))
    assert (facts.units, facts.offsets, facts.material) == ("mm", ("G54",), "aluminium 6061")
    tools = [(tool.number, tool.kind, tool.diameter, tool.flutes) for tool in facts.tools]
    assert tools == [(1, "flat end mill", 12.0, 3), (2, "drill", 6.0, 2)]
    assert facts.low[2] == -12.0


def test_the_deepest_place_is_that_of_arcs_and_rapids_too(tmp_path: Path) -> None:
    """G2 in the XZ plane from X20 to X40 at Z-2 about X30 dips to Z-12; then a rapid goes to Z-13."""
    text = "%\nG21 G90 G54\nT1 M6\nS900 M3\nG0 X20 Y10 Z2\nG1 Z-2 F100\nG18\nG2 X40 I10 K0\n{}G0 Z9\nM30\n%\n"
    path = tmp_path / "dip.nc"
    for more, deepest in (("", -12.0), ("G0 X90\nZ-13\n", -13.0)):
        path.write_text(text.format(more))
        facts = read_facts(read_program(path))
        assert (facts.deepest, facts.low[2]) == pytest.approx((deepest, -12.0))
        assert facts.lowest_above(-20.0) == f"{deepest + 20.0:g} above the underside"


def test_words_without_blanks_are_read_alike(tmp_path: Path) -> None:
    """As old posts write: capitals not needed, nothing between the words."""
    path = tmp_path / "close.nc"
    path.write_text("%\nn5g20g90g54\nn10t3m6(.5 endmill 4 flute)\ns3000m3\ng0x-1.y0\ng1z-.1f10.\nx3.\nm30\n")
    facts = read_facts(read_program(path))
    assert facts.units == "inch"
    assert [(t.number, t.kind, t.diameter, t.flutes) for t in facts.tools] == [(3, "flat end mill", 0.5, 4)]


def test_at_most_eight_questions_each_with_a_plain_text(program: Path) -> None:
    asked = questions(read_facts(read_program(program)))
    assert len(asked) <= 8
    assert len({question.key for question in asked}) == len(asked)
    # only what cannot be known may stay unanswered
    assert [question.key for question in asked if not question.default] == ["jaws"]


def test_the_defaults_make_a_job_that_loads(program: Path) -> None:
    facts = read_facts(read_program(program))
    target = program.with_suffix(".toml")
    target.write_text(job_text(facts, {}))
    job = load_job(target)
    assert [tool.kind for tool in job.tools] == ["flat end mill", "drill"]
    assert (job.machine.feed_override, job.machine.rapid_override) == (10.0, 25.0)


def test_answers_become_stock_zero_and_jaws(program: Path) -> None:
    facts = read_facts(read_program(program))
    target = program.with_suffix(".toml")
    answers = {"size": "80 x 50 × 20", "zero": "middle", "jaws": "-12", "z0": "top of the stock"}
    target.write_text(job_text(facts, answers))
    job = load_job(target)
    assert job.setups[0].stock == Box(low=(-40.0, -25.0, -20.0), high=(40.0, 25.0, 0.0))
    assert [keep_out.box.high[2] for keep_out in job.keep_outs] == [-12.0, -12.0]
    said = said_back(facts, job)
    assert "Z0 is the top of the stock; deepest −12; 8 above the underside." in said
    assert "Stock 80 × 50 × 20 mm of aluminium 6061 (group N22)." in said
    assert "T1 is a flat end mill of 12 mm, 3 flutes." in said
    title, *picture = drawn(job).splitlines()
    assert title == "Seen from above (# stock, k keep-out, + X0 Y0):"
    assert {"#", "k", "+"} <= set("".join(picture))
    assert picture[0].strip()
    assert picture[-1].strip()
    assert max(len(line) for line in picture) <= 100


@pytest.mark.parametrize(
    ("places", "size"),
    [
        ("X40 Y25\nX41", "45 x 25 x 5"),  # one hole, seen from the left front corner
        ("X-40 Y-25\nX-41", "45 x 25 x 5"),  # from the right back corner
        ("X-30 Y-20\nX30 Y20", "60 x 40 x 5"),  # from the middle
        ("X-8 Y25\nX92", "95 x 25 x 5"),
    ],
)
def test_the_guessed_stock_reaches_from_its_zero_to_the_tool(places: str, size: str, tmp_path: Path) -> None:
    path = tmp_path / "one.nc"
    first = places.split("\n")[0]
    path.write_text(
        f"%\n(T1 END MILL 6)\nG21 G90 G54\nT1 M6\nS900 M3\nG0 {first}\nG1 Z-2 F100\n{places}\nG0 Z9\nM30\n%\n"
    )
    (asked_size, *_) = questions(read_facts(read_program(path)))
    assert asked_size.default == size


@pytest.mark.parametrize(
    ("said", "low", "high"),
    [
        ("2 inside the left front corner", (-2.0, -2.0), (78.0, 48.0)),
        ("2 3.5 inside right back corner", (-78.0, -46.5), (2.0, 3.5)),
    ],
)
def test_a_zero_inside_a_corner_leaves_stock_all_round(
    program: Path, said: str, low: tuple[float, float], high: tuple[float, float]
) -> None:
    """By hand: 80 by 50, the corner so far beyond the zero; the jaws stand at the stock."""
    facts = read_facts(read_program(program))
    answers = {"size": "80x50x20", "zero": said, "jaws": "-5"}
    target = program.with_suffix(".toml")
    target.write_text(job_text(facts, answers))
    job = load_job(target)
    stock = job.setups[0].stock
    assert isinstance(stock, Box)
    assert (stock.low[:2], stock.high[:2]) == (low, high)
    assert job.keep_outs[0].box.high[1] == low[1]


@pytest.mark.parametrize("said", ["1.5 below the top of the stock", "1.5 below the top", "1.5 below"])
def test_a_zero_that_a_face_is_milled_down_to_lies_below_the_top(program: Path, said: str) -> None:
    """With the raw top at Z0, a facing pass at Z0 never touches and the first touch comes unsaid."""
    facts = read_facts(read_program(program))
    target = program.with_suffix(".toml")
    target.write_text(job_text(facts, {"size": "80 x 50 x 20", "z0": said}))
    job = load_job(target)
    assert job.setups[0].stock == Box(low=(0.0, 0.0, -18.5), high=(80.0, 50.0, 1.5))
    assert said_back(facts, job).startswith("Z0 is 1.5 below the top of the stock; deepest −12; 6.5 above")


def test_an_offset_without_stock_is_said_back(program: Path) -> None:
    program.write_text(PROGRAM.replace("M30", "G55 G0 X0 Y0 Z50\nG1 Z-1 F100\nM30"))
    facts = read_facts(read_program(program))
    target = program.with_suffix(".toml")
    target.write_text(job_text(facts, {}))
    said = said_back(facts, load_job(target))
    assert "Moves under G55 are not judged: add a [[setup]] with its stock." in said
    assert "G54" not in said


def test_a_round_with_zero_underneath(program: Path) -> None:
    facts = read_facts(read_program(program))
    target = program.with_suffix(".toml")
    target.write_text(job_text(facts, {"size": "60 x 25", "zero": "middle", "z0": "underside of the stock"}))
    stock = load_job(target).setups[0].stock
    assert stock == Cylinder(centre=(0.0, 0.0), diameter=60.0, low_z=0.0, high_z=25.0)


def test_a_tool_table_and_a_machine_kept_once(program: Path) -> None:
    facts = read_facts(read_program(program))
    (program.parent / "tools.csv").write_text("T,type,Dia,teeth\n1,flat end mill,12,3\n2,drill,6,2\n")
    (program.parent / "mill.toml").write_text('[machine]\nrapid = 12000\nrapid_path = "each axis"\n')
    target = program.with_suffix(".toml")
    columns = {"number": "T", "kind": "type", "diameter": "Dia", "flutes": "teeth"}
    text = job_text(facts, {}, machine_from="mill.toml", tools_from="tools.csv", tool_columns=columns)
    target.write_text(text)
    job = load_job(target)
    assert [tool.diameter for tool in job.tools] == [12.0, 6.0]
    assert job.machine.rapid_mm_per_min == 12000.0


@pytest.mark.parametrize(
    ("answers", "names"),
    [
        ({"size": "80 x 50"}, None),
        ({"size": "eighty"}, "stock size must be"),
        ({"zero": "midle"}, "did you mean 'middle'"),
        ({"tools": "T1 flat end mill"}, "must be number, kind, diameter and flutes"),
        ({"tools": "T1 flat endmill 12 3"}, "did you mean 'flat end mill'"),
        (
            {"tools": "T1 drill 1.2.3 2"},
            r"diameter of T1 must be one number, as 12, \.5 or 3/8, got '1\.2\.3'",
        ),
        ({"tools": "T1 drill 3/0 2"}, "diameter of T1 must be one number"),
        ({"tools": "T1 tap 6 3 pitch ."}, "pitch of T1 must be one number"),
        ({"z0": "20 below the top", "size": "80x50x20"}, "Z0 must lie in the stock, 20 high, got '20 below"),
        ({"z0": "1 above the top"}, "is not one of top of the stock"),
        ({"z0": "1.2.3 below"}, "is not one of top of the stock"),
        ({"zero": "90 inside the left front corner", "size": "80x50x20"}, "must lie on the stock, 80 by 50"),
        (
            {"zero": "2 50 inside the right back corner", "size": "80x50x20"},
            "must lie on the stock, 80 by 50",
        ),
        ({"zero": "2 inside the front corner"}, "is not one of left front corner"),
        ({"overrides": "10"}, "two numbers 0 to 200, feed and rapid, as '10 25'"),
        ({"jaws": "low"}, "one number, as -5, or left out"),
    ],
)
def test_wrong_answers_are_named(program: Path, answers: dict[str, str], names: str | None) -> None:
    facts = read_facts(read_program(program))
    if names is None:
        assert "cylinder" in job_text(facts, answers)
        return
    with pytest.raises(InputError, match=names):
        job_text(facts, answers)


@pytest.mark.parametrize(
    ("comment", "units", "diameter"),
    [
        ("T1 D=12. CR=0. FLAT END MILL", "mm", 12.0),
        ("3/8 IN END MILL", "inch", 0.375),
        ("3/8 IN END MILL", "mm", 9.525),
        ("DRILL 6 MM", "inch", 6 / 25.4),
        ("DIA 0.5 BALL", "inch", 0.5),
        ("ROUGHER", "mm", None),
        ("FLAT END MILL 16, 3 FLUTES", "mm", 16.0),
        (".5 ENDMILL 4 FLUTE", "inch", 0.5),
        ("END MILL 16 FL", "mm", None),
        ("TOOL 2 DRILL", "mm", None),
        ("SPOT DRILL 90", "mm", None),
    ],
)
def test_diameters_in_comments(comment: str, units: str, diameter: float | None) -> None:
    found = diameter_in(comment, units)
    assert found == (None if diameter is None else pytest.approx(diameter))


@pytest.mark.parametrize(
    ("comment", "units", "pitch"),
    [
        ("TAP M6 X 1.0", "mm", 1.0),
        ("M8X1.25 TAP", "mm", 1.25),
        ("TAP M6 X 1", "inch", 1.0 / 25.4),
        ("1/4-20 TAP", "inch", 0.05),
        ("#10-32 TAP", "mm", 25.4 / 32.0),
        ("TAP M6", "mm", None),
    ],
)
def test_the_pitch_of_a_tap_is_read_from_its_comment(comment: str, units: str, pitch: float | None) -> None:
    """Metric threads by their pitch, inch threads by threads per inch (ISO 261, ASME B1.1; from memory)."""
    assert pitch_in(comment, units) == (None if pitch is None else pytest.approx(pitch))


def test_a_tapping_feed_that_is_not_the_pitch_is_found_by_the_comment_alone(tmp_path: Path) -> None:
    """M6 x 1 at 500 rpm needs F500; the pitch stands in the defaults, the job and what is said back."""
    path = tmp_path / "tap.nc"
    path.write_text(
        "%\n(T6 TAP M6 X 1.0)\nG21 G90 G54\nT6 M6\nS500 M3\nG0 X20 Y25\nG43 H6 Z5\n"
        "G84 Z-12 R3 F400\nG80\nG0 Z50\nM30\n%\n"
    )
    facts = read_facts(read_program(path))
    target = path.with_suffix(".toml")
    target.write_text(job_text(facts, {}))
    job = load_job(target)
    assert job.tools[0].pitch == 1.0
    assert "T6 is a tap of 6 mm, 3 flutes, pitch 1 mm." in said_back(facts, job)
    program = read_program(path, job=job)
    found = check_program(program, time_program(program, job.machine), job)
    assert "tapping feed" in {caution.kind for caution in found}
    given = job_text(facts, {"tools": "T6 tap 6 3 pitch 0.8"})
    target.write_text(given)
    assert load_job(target).tools[0].pitch == 0.8


def test_a_wrong_answer_is_asked_again_at_once(program: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight answers were lost to one slip, told only after the last."""
    facts = read_facts(read_program(program))
    place = ["eighty", "80x50x20", "9", "middle", "above", "20 below", "19 below"]
    typed = iter([*place, "", "T1 flat endmill 12 3", "", "", "10", "", "low", ""])
    monkeypatch.setattr("builtins.input", lambda _: next(typed))
    answers = asked(facts, {})
    assert next(typed, None) is None
    assert (answers["size"], answers["zero"], answers["tools"]) == ("80x50x20", "middle", "")
    assert "min = [-40, -25, -1]" in job_text(facts, answers)


def test_what_was_given_wrong_is_told_before_anything_is_asked(
    program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("builtins.input", lambda _: pytest.fail("asked"))
    with pytest.raises(InputError, match="stock size must be"):
        asked(read_facts(read_program(program)), {"size": "eighty"})


def test_a_tool_without_a_diameter_asks_for_it(tmp_path: Path) -> None:
    path = tmp_path / "plain.nc"
    path.write_text("G21 G90 G54\nT7 M6\nS900 M3\nG0 X0 Y0\nG1 Z-1. F90\nX9.\nM30\n")
    told = r'does not say how wide T7 is; check .*: `cut-listen job PROGRAM --tools "T7 flat end mill \? 3"`$'
    with pytest.raises(InputError, match=told):
        job_text(read_facts(read_program(path)), {})


def test_a_set_up_that_nobody_gave_is_called_guessed(
    program: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, cautions = job_of(program)
    assert [caution.kind for caution in cautions] == ["set-up guessed"]
    target = program.with_suffix(".toml")
    make_job(program, target, given={"size": "80x50x20", "z0": "top of the stock"}, ask=False, replace=False)
    said = "Taken from the program, not measured: place of X0 Y0, tools."
    assert said in capsys.readouterr().out
    assert target.read_text(encoding="utf-8").startswith(f"# {said}\n")
    assert job_of(target)[1] == ()


@pytest.mark.parametrize("text", ["", "%\n(NOTHING)\nG0 X9\nM30\n%\n"])
def test_a_program_without_a_feed_makes_no_job(text: str, tmp_path: Path) -> None:
    path = tmp_path / "empty.nc"
    path.write_text(text)
    with pytest.raises(InputError, match=r"^empty\.nc has no feed move; is it the right file"):
        job_of(path)
    with pytest.raises(InputError, match=r"^empty\.nc has no feed move"):
        make_job(path, tmp_path / "empty.toml", given={}, ask=False, replace=False)
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("cycle", "kind"),
    [("G81", "drill"), ("G83 Q2", "drill"), ("G73 Q2", "drill"), ("G84", "tap"), ("G85", "reamer")],
)
def test_a_tool_that_no_comment_names_is_guessed_by_its_cycles(tmp_path: Path, cycle: str, kind: str) -> None:
    """One that mills as well is none of these."""
    lines = f"G21 G90 G17 G54\nT6 M6\nS300 M3\nG0 X20 Y20 Z10\n{cycle} X20 Y20 Z-9 R2 F300\nX30\nG80\n"
    for more, guessed in (("", kind), ("G1 Z-1 F100\nX60\n", None)):
        (tmp_path / "holes.nc").write_text(f"{lines}{more}G0 Z20\nM30\n")
        (tool,) = read_facts(read_program(tmp_path / "holes.nc")).tools
        assert tool.kind == guessed
