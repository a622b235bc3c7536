"""The command line: what it prints, what it writes, and how it ends."""

import json
import re
import shutil
import subprocess
import sys

import numpy as np
import pytest
from command_line import run
from findings.stored import to_workbook
from made_answer import make_answer
from support import QUESTION

import kit
from kit.commands import SHORT, short_row
from kit.decisions import read_decision
from kit.numerics.words import spelled

FINE, NO, BAD_INPUT = 0, 1, 2
LENIENT = QUESTION.replace("flight_hours = 0.05", "flight_hours = 50")
"""A target that even the few looks of the tiny dataset show to be met."""


def refused(result, *parts):
    """One message on stderr, nothing on stdout, status 2."""
    assert result.exit_code == BAD_INPUT, result.stdout + result.stderr
    assert result.stdout == ""
    assert result.stderr.startswith("error: ")
    assert result.stderr.count("error: ") == 1
    assert "None" not in result.stderr
    for part in parts:
        assert part in result.stderr, result.stderr


USAGE = """
[planned_usage."S2"]
flight_hours = 2000
flight_cycles = 1900
aircraft = 1
"""


def ready(tiny):
    """Write the tiny dataset, with usage planned for both subtypes."""
    folder = tiny.write()
    path = folder / "dataset.toml"
    path.write_text(path.read_text() + USAGE)
    return folder


@pytest.fixture
def source(tiny):
    """The tiny dataset, written, with a question."""
    folder = ready(tiny)
    (folder / "questions").mkdir()
    (folder / "questions" / "small.toml").write_text(QUESTION)
    return folder


@pytest.fixture
def out(tmp_path):
    return tmp_path / "answers"


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    path = tmp_path_factory.mktemp("question") / "small.toml"
    path.write_text(QUESTION.replace("seed = 7", "seed = 7\nproposed_repeat = 9000"))
    return path


@pytest.fixture(scope="module")
def decided(small_folder, asked, tmp_path_factory):
    """A decision on the simulated fleet: the result and its folder."""
    folder = tmp_path_factory.mktemp("decided") / "answers"
    return run("decide", small_folder, "--question", asked, "--out", folder), folder


def untouched(folder):
    """Neither the output nor a stage of it is there."""
    return not folder.exists() and not [one for one in folder.parent.iterdir() if folder.name in one.name]


# As a program of its own --------------------------------------------------------------------------


def program(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "kit", *map(str, arguments)], capture_output=True, text=True, check=False
    )


@pytest.mark.long
def test_the_program_answers_a_question_as_one_json_document(small_folder, asked, out):
    done = program("decide", small_folder, "--question", asked, "--out", out, "--json")
    assert done.returncode == FINE, done.stderr
    answer = json.loads(done.stdout)["answers"][0]
    assert answer == json.loads((out / "small" / "summary.json").read_text())["answers"][0]
    assert answer["repeat"] > 0
    again = program("rerun", out / "small" / "small.json", small_folder, "--json")
    assert again.returncode == FINE, again.stderr
    assert json.loads(again.stdout)["verdict"] == "reproduced"


def test_the_program_ends_with_2_and_one_message_on_bad_input(tmp_path):
    done = program("check", tmp_path / "nowhere")
    assert done.returncode == BAD_INPUT
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "There is no" in done.stderr
    assert "nowhere" in done.stderr


def test_without_a_command_the_commands_are_listed():
    result = run("--help")
    assert result.exit_code == FINE
    for name in ("check", "rank", "decide", "rerun", "demo"):
        assert name in result.stdout


# check --------------------------------------------------------------------------------------------


def test_check_of_sound_data_is_fine_and_writes_nothing(source):
    before = sorted(source.rglob("*"))
    result = run("check", source)
    assert result.exit_code == FINE
    assert "Rejected: 0" in result.stdout
    assert "Accepted with a warning: 0" in result.stdout
    assert sorted(source.rglob("*")) == before


def test_check_as_json_is_one_document_with_the_rows_and_problems(tiny):
    tiny.set("limits", "M1", size="4,5").set("findings", "D4", panel="P1")
    result = run("check", tiny.write(), "--json")
    assert result.exit_code == NO
    data = json.loads(result.stdout)
    assert data["usable"] is True
    assert data["rows"]["findings"] == 4
    assert [(one["file"], one["row"], one["column"], one["value"]) for one in data["rejected"]] == [
        ("limits.csv", 2, "size", "4,5")
    ]
    assert any(one["reason"].startswith("the serial as written") for one in data["warnings"])


def test_check_as_json_of_unusable_data_names_the_problems(source):
    (source / "cards.csv").unlink()
    result = run("check", source, "--json")
    assert result.exit_code == BAD_INPUT
    data = json.loads(result.stdout)
    assert data["usable"] is False
    assert data["problems"][0]["reason"] == "the file is missing"


BOW_TIE = "POLYGON ((10 10, 40 40, 40 10, 10 40, 10 10))"
OUTSIDE = "POLYGON ((2000 2000, 2050 2000, 2050 2030, 2000 2030, 2000 2000))"
REJECTS = {
    "wrong unit": (lambda t: t.set("findings", "D1", size_unit="cms"), "findings.csv row 2, size_unit = 'cms'"),
    "date in another order": (lambda t: t.set("findings", "D1", found_on="02/01/2014"), "findings.csv row 2, found_on = '02/01/2014'"),
    "two orders of dates": (
        lambda t: t.set("findings", "D1", found_on="02/01/2014").set("cards", "C1", closed_on="13.02.2012"),
        "cards.csv row 2, closed_on = '13.02.2012'",
    ),
    "duplicate id": (lambda t: t.add("findings", "D1", length="51"), "id used twice"),
    "zone that the aircraft lacks": (
        lambda t: t.set("findings", "D4", aircraft="A3", zone="Z2", panel=""),
        "the subtype of the aircraft has no such zone",
    ),
    "before the panel was fitted": (
        lambda t: t.set("findings", "D4", aircraft="A3", panel="", found_on="2015-01-01"),
        "no panel was fitted there that day",
    ),
    "meter going backwards": (lambda t: t.set("usage", "R4", flight_hours="-1"), "usage.csv row 5, flight_hours = '-1'"),
    "meter falling": (lambda t: t.set("usage", "R9", flight_hours="4000"), "flight_hours goes backwards"),
    "polygon off its panel": (lambda t: t.set("findings", "D1", outline=OUTSIDE), "findings.csv row 2, outline"),
    "polygon that is none": (lambda t: t.set("findings", "D1", outline="POLYGON ((0 0, 1"), "findings.csv row 2, outline"),
}  # fmt: skip


@pytest.mark.parametrize(
    "name", [name if name == "wrong unit" else pytest.param(name, marks=pytest.mark.long) for name in REJECTS]
)
def test_a_rejected_row_is_shown_by_check_and_stops_a_strict_decision(tiny, tmp_path, out, name):
    change, words = REJECTS[name]
    change(tiny)
    folder = tiny.write()
    result = run("check", folder)
    assert result.exit_code == NO
    assert words in result.stdout
    assert "To correct: " in result.stdout
    question = tmp_path / "small.toml"
    question.write_text(QUESTION)
    refused(run("decide", folder, "--question", question, "--out", out, "--strict"), words)
    assert untouched(out)


@pytest.mark.parametrize(
    ("outline", "words"),
    [
        (BOW_TIE, "findings.csv row 2, outline"),
        ("POLYGON ((980 100, 1030 100, 1030 130, 980 130, 980 100))", "findings.csv row 2, outline"),
    ],
)
def test_a_polygon_that_crosses_itself_or_leaves_its_panel_is_mended_and_said_so(tiny, outline, words):
    tiny.set("findings", "D1", outline=outline, length="", width="", size_unit="", rounding="")
    result = run("check", tiny.write())
    assert words in result.stdout
    assert result.exit_code == (FINE if "Rejected: 0" in result.stdout else NO)
    assert "Rejected: 0" in result.stdout or "To correct: " in result.stdout


# rank ---------------------------------------------------------------------------------------------


def test_rank_shows_finds_with_bounds_and_the_advice(small_folder, tmp_path):
    folder = shutil.copytree(small_folder, tmp_path / "fleet")
    result = run("rank", folder, "--by", "zone", "--kind", "moisture_disbond")
    assert result.exit_code == FINE
    for words in (
        "moisture_disbond: damage that arises per 1,000 panel flight hours by zone",
        "576",
        "The worst is one of",
        "Warning: skins are not distinguished",
        "Advisory analysis only",
        "problems in rejected rows",
    ):
        assert words in result.stdout


@pytest.mark.long
def test_rank_as_json_is_the_table(small_folder, small_fleet, tmp_path):
    folder = shutil.copytree(small_folder, tmp_path / "fleet")
    data = json.loads(run("rank", folder, "--json").stdout)
    frame = kit.rank_zones(small_fleet)
    frame = frame[frame["kind"] == "all"]
    assert [one["group"] for one in data["ranking"]] == frame["group"].tolist()
    assert [one["per_1000_fh"] for one in data["ranking"]] == pytest.approx(frame["per_1000_fh"].tolist())
    assert data["notice"]
    assert data["cautions"]
    chances = [one["p_worst"] for one in data["damage"] if one["kind"] == "all"]
    assert sum(chances) == pytest.approx(1)
    assert set(data["may_be_worst"]) <= {one["group"] for one in data["ranking"]}


@pytest.mark.long
def test_rank_shows_rates_alone_where_asked_and_refuses_a_day_that_is_none(small_folder, tmp_path):
    folder = shutil.copytree(small_folder, tmp_path / "fleet")
    result = run("rank", folder, "--rates-only", "--since", "2015-01-01")
    assert result.exit_code == FINE
    assert "all: finds by group, with exact 95 % Poisson bounds" in result.stdout
    refused(run("rank", folder, "--since", "soon"), "`since` must be a day", "soon")


@pytest.mark.parametrize("arguments", [("--by", "panel"), ("--kind", "rust"), ("--worst", "0")])
def test_rank_of_what_is_unknown_is_refused(source, arguments):
    refused(
        run("rank", source, *arguments),
        "--by must be group or zone, --kind all or one of disbond",
        arguments[1],
    )


# decide -------------------------------------------------------------------------------------------


def test_decide_writes_record_figure_and_summary_and_shows_the_cautions(decided):
    result, folder = decided
    assert result.exit_code == FINE
    own = folder / "small"
    made = {
        "small.json",
        "small.rows.gz",
        "small.png",
        "small.sheet.html",
        "small.question.toml",
        "summary.json",
    }
    assert made <= {one.name for one in own.iterdir()} <= made | {"rejected_rows.csv"}
    assert (own / "small.png").read_bytes().startswith(b"\x89PNG")
    record = read_decision(own / "small.json")
    for caution in record.cautions:
        assert spelled(caution) in result.stdout
    assert "the proposed repeat of 9,000" in result.stdout
    assert "small: initial inspection at" in result.stdout
    for words in (
        "damage type",
        "characteristic",
        "slope",
        "undetected",
        "5 % and 95 %",
        "middle 95 %",
        "assurance ",
    ):
        assert words in result.stdout  # the trade's words, and which bounds are which
    assert "a50 is the size found half as often as the plateau" in result.stdout
    for line in (*record.cautions, *record.assumptions):
        assert spelled(line) in result.stdout
    assert f"Records, figures and sheets, in a folder for each decision: {folder}" in result.stdout
    assert f"{record.recommendation.repeat:,.0f}" in result.stdout
    assert [one for one in folder.parent.iterdir() if one != folder] == []


def test_on_80_columns_no_number_is_cut_and_special_cautions_stand_first(
    decided, small_folder, asked, tmp_path, monkeypatch
):
    """Broken between words only: joined again, the lines say what the wide output says."""
    wide = decided[0].stdout.split()
    monkeypatch.setenv("COLUMNS", "80")
    narrow = run("decide", small_folder, "--question", asked, "--out", tmp_path / "answers").stdout
    whole = str(tmp_path / "answers")  # a path is not broken, however long it is
    assert not [line for line in narrow.splitlines() if len(line) > 80 and whole not in line]
    assert (
        narrow.split()[: -len(["a", "folder", "for", "each", "decision:", "x"])]
        == wide[: -len(["a", "folder", "for", "each", "decision:", "x"])]
    )
    special = [line for line in decided[0].stdout.splitlines() if line.startswith("  ! ")]
    assert special
    assert decided[0].stdout.index(special[-1]) < decided[0].stdout.index("small: initial inspection at")


def test_many_answers_stand_in_one_table_with_what_is_asked_and_what_is_in_force():
    row = dict(zip(SHORT, short_row(make_answer()), strict=True))
    assert row == {
        "question": "small",
        "initial": "4,000",
        "repeat": "4,000 FH",
        "now": "–",
        "governed by": "risk",
        "draws": "– (95%)",  # not known of this answer; the table spells it as all do
        "!": str(len(make_answer().special_cautions)),
    }
    assert dict(zip(SHORT, short_row(make_answer(repeat=None)), strict=True))["repeat"] == "none"


@pytest.mark.long
@pytest.mark.parametrize("command", [["rank"], ["rerun", "small"]])
def test_on_80_columns_a_table_too_wide_becomes_blocks_with_every_number(
    command, decided, small_folder, monkeypatch
):
    arguments = [decided[1] / "small" / "small.json", small_folder] if len(command) > 1 else [small_folder]
    wide = run(command[0], *arguments).stdout
    monkeypatch.setenv("COLUMNS", "80")
    narrow = run(command[0], *arguments).stdout
    assert "…" not in narrow
    numbers = {word for word in re.findall(r"[^\s│┃]+", wide) if any(mark.isdigit() for mark in word)}
    assert numbers <= set(narrow.replace("│", " ").split())


def test_the_notice_of_invented_data_is_shown_and_kept(decided):
    result, folder = decided
    notice = read_decision(folder / "small" / "small.json").dataset.notice
    assert "nvented" in notice
    assert notice in result.stdout
    assert json.loads((folder / "small" / "summary.json").read_text())["notice"] == notice


def test_decide_says_no_where_no_interval_meets_the_target(source, out):
    path = source / "questions" / "small.toml"
    path.write_text(QUESTION.replace("flight_hours = 0.05", "flight_hours = 1e-9"))
    result = run("decide", source, "--out", out)
    assert result.exit_code == NO
    assert read_decision(out / "small" / "small.json").recommendation.repeat is None
    assert json.loads((out / "small" / "summary.json").read_text())["answers"][0]["repeat"] is None


@pytest.mark.long
def test_decide_takes_all_questions_of_the_source(source, out):
    text = QUESTION.replace('name = "small"', 'name = "other"').replace("seed = 7", "seed = 8")
    (source / "questions" / "other.toml").write_text(text)
    data = json.loads(run("decide", source, "--out", out, "--json").stdout)
    assert [one["name"] for one in data["answers"]] == ["other", "small"]
    for name in ("other", "small"):  # each with its own summary, never that of the last run only
        (answer,) = json.loads((out / name / "summary.json").read_text())["answers"]
        assert answer["name"] == read_decision(out / name / f"{name}.json").name == name


@pytest.mark.long
def test_decide_gives_the_same_files_for_any_number_of_processes(source, tmp_path, monkeypatch):
    (source / "questions" / "small.toml").write_text(QUESTION)
    (source / "questions" / "other.toml").write_text(QUESTION.replace('name = "small"', 'name = "other"'))
    shown = []
    for cores in (1, 2):
        monkeypatch.setattr("os.sched_getaffinity", lambda _, cores=cores: set(range(cores)), raising=False)
        shown.append(run("decide", source, "--out", tmp_path / f"with_{cores}", "--json").stdout)
    assert shown[0] == shown[1]
    one, two = (
        {path.name: path.read_bytes() for path in (tmp_path / f"with_{cores}").glob("*/*.*")}
        for cores in (1, 2)
    )
    assert one == two
    assert {"small.json", "other.png"} <= set(one)


@pytest.mark.long
def test_decide_again_replaces_only_what_it_made_itself(source, out):
    (source / "questions" / "small.toml").write_text(LENIENT)
    first = run("decide", source, "--out", out, "--json")
    again = run("decide", source, "--out", out, "--json")
    assert again.exit_code == FINE
    assert json.loads(again.stdout) == json.loads(first.stdout)
    assert [one for one in out.parent.iterdir() if "answers" in one.name] == [out]


def test_an_output_folder_of_someone_else_is_left_as_it_is(source, out):
    (out / "small").mkdir(parents=True)
    (out / "small" / "notes.txt").write_text("mine")
    refused(run("decide", source, "--out", out), "small: is there already and was not made by this command")
    assert [one.name for one in (out / "small").iterdir()] == ["notes.txt"]
    shutil.rmtree(out)
    out.write_text("a file")
    refused(run("decide", source, "--out", out), "is there already and was not made by this command")
    assert out.read_text() == "a file"


def test_an_output_path_that_cannot_be_written_is_refused(source, tmp_path):
    """A path below a regular file cannot be written to by anyone, whoever runs this."""
    (tmp_path / "file").write_text("in the way")
    refused(
        run("decide", source, "--out", tmp_path / "file" / "answers"),
        "file",
        "Give a path that can be read and written.",
    )


def test_rejected_rows_are_set_aside_beside_the_answers(tiny, out, tmp_path):
    tiny.set("findings", "D1", size_unit="cms")
    question = tmp_path / "small.toml"
    question.write_text(LENIENT)
    folder = ready(tiny)
    result = run("decide", folder, "--question", question, "--out", out)
    assert result.exit_code == FINE
    assert "1 problems in rejected rows" in result.stdout
    assert "cms" in (out / "small" / "rejected_rows.csv").read_text()
    assert not (folder / "set_aside").exists()


@pytest.mark.long
@pytest.mark.parametrize(
    ("text", "prior"),
    [
        (QUESTION, "2 times or over e^0.35 (stated)"),
        (QUESTION.replace("assumed_shape = 2.0\n", ""), "2 times or over e^0.5 (weak"),
    ],
)
def test_all_clean_is_answered_by_the_prior_and_says_so(source, out, text, prior):
    """What the clean looks leave open is drawn, under a prior that is told; the caution says that no find carries it.

    Before joint draws a lower bound of the scale stood for the life, taken as sure, and a question without an assumed
    shape was refused.
    """
    (source / "questions" / "small.toml").write_text("limit_mm = 40\n" + text)
    result = run("decide", source, "--out", out)
    assert result.exit_code == FINE
    assert "0 finds only" in result.stdout
    (mode,) = read_decision(out / "small" / "small.json").modes
    assert mode.finds == 0
    assert mode.life_basis.startswith(
        f"no finds: what the clean looks leave open; prior of the shape {prior}"
    )
    assert mode.scale_bounds[0] < mode.scale < mode.scale_bounds[1]
    assert "mostly prior" in result.stdout


@pytest.mark.long
def test_a_single_find_is_answered(tiny, tmp_path, out):
    tiny.set("findings", "D4", kind="moisture", aircraft="A1", zone="Z2", panel="", found_on="2019-05-05")
    question = tmp_path / "small.toml"
    question.write_text(QUESTION)
    assert run("decide", ready(tiny), "--question", question, "--out", out).exit_code in (FINE, NO)
    assert read_decision(out / "small" / "small.json").modes[0].finds == 1


# What is refused as a whole -----------------------------------------------------------------------


def drop_column(folder, table, name):
    path = folder / f"{table}.csv"
    lines = [line.split(",") for line in path.read_text().splitlines()]
    k = lines[0].index(name)
    path.write_text(
        "\n".join(",".join(cell for i, cell in enumerate(line) if i != k) for line in lines) + "\n"
    )


BROKEN = {
    "missing folder": (shutil.rmtree, ["There is no", "correct the path"]),
    "a file": (lambda folder: (shutil.rmtree(folder), folder.write_text("x")), ["must be a folder with dataset.toml"]),
    "empty folder": (lambda folder: (shutil.rmtree(folder), folder.mkdir()), ["there is no dataset.toml (the folder is empty)"]),
    "missing table": (lambda folder: (folder / "cards.csv").unlink(), ["cards.csv", "the file is missing"]),
    "missing column": (lambda folder: drop_column(folder, "limits", "size"), ["limits.csv", "size", "Expected", "To correct"]),
    "unreadable toml": (lambda folder: (folder / "dataset.toml").write_text("name ="), ["dataset.toml", "not TOML"]),
    "unknown unit": (
        lambda folder: (folder / "dataset.toml").write_text((folder / "dataset.toml").read_text().replace('"mm"', '"ft"')),
        ["dataset.toml", "length_unit", "ft", "'mm', 'cm' or 'in'"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("command", ["check", "rank", "decide", "rerun"])
def test_a_source_that_cannot_be_used_is_one_message_and_no_output(
    source, asked, decided, out, command, name
):
    breaks, words = BROKEN[name]
    breaks(source)
    arguments = {
        "check": [source],
        "rank": [source],
        "decide": [source, "--question", asked, "--out", out],
        "rerun": [decided[1] / "small" / "small.json", source],
    }
    refused(run(command, *arguments[command]), *words)
    assert untouched(out)


def test_a_missing_source_without_questions_says_that_the_source_is_missing(tmp_path, out):
    refused(run("decide", tmp_path / "nowhere", "--out", out), "There is no", "nowhere")
    assert untouched(out)


def test_a_source_without_questions_says_so(tiny, out):
    refused(run("decide", tiny.write(), "--out", out), "questions: no question there. Give --question")
    book = to_workbook(tiny.write(), tiny.folder / "fleet.xlsx")  # a file has its questions beside it
    refused(run("decide", book, "--out", out), f"{tiny.folder / 'questions'}: no question there")
    assert untouched(out)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (None, "cannot be read"),
        ("horizon = 40,000", "not a TOML file"),
        (QUESTION.replace("horizon = 40000\n", ""), "horizon: Field required"),
        (QUESTION.replace('group = "flap"', 'group = "wing"'), "`group` must be a group of the zones table. Got wing."),
        (QUESTION.replace('"base check"', '"C check"'), "'C check' is not a package of dataset.toml"),
        (QUESTION.replace("seed = 7", "seed = 7\nknown_on = 1999-01-01"), "question small: "),
    ],
)  # fmt: skip
def test_a_question_that_cannot_be_answered_is_one_message_and_no_output(source, tmp_path, out, text, words):
    path = tmp_path / "asked.toml"
    if text is not None:
        path.write_text(text)
    refused(run("decide", source, "--question", path, "--out", out), words)
    assert untouched(out)


def test_two_questions_of_one_name_are_refused(source, out):
    path = source / "questions" / "small.toml"
    refused(
        run("decide", source, "--question", path, "--question", path, "--out", out),
        "the name 'small' is used twice",
    )
    assert untouched(out)


# rerun --------------------------------------------------------------------------------------------


def test_rerun_shows_then_and_now_and_the_verdict(decided, small_folder):
    result = run("rerun", decided[1] / "small" / "small.json", small_folder)
    assert result.exit_code == FINE
    assert "Verdict: reproduced" in result.stdout
    assert "NO" not in result.stdout.split("Verdict")[0].replace("NOT", "")
    for caution in read_decision(decided[1] / "small" / "small.json").cautions:
        assert spelled(caution) in result.stdout


@pytest.mark.long
def test_rerun_of_an_altered_record_says_no(decided, small_folder, tmp_path):
    data = json.loads((decided[1] / "small" / "small.json").read_text())
    data["recommendation"]["repeat"] *= 2
    (tmp_path / "small.json").write_text(json.dumps(data))
    result = run("rerun", tmp_path / "small.json", small_folder, "--json")
    assert result.exit_code == NO
    told = json.loads(result.stdout)
    assert told["verdict"] == "record altered"
    row = next(one for one in told["numbers"] if one["quantity"] == "repeat")
    assert row["then"] == pytest.approx(2 * row["now"])
    assert row["same"] is False
    assert "Verdict: record altered" in run("rerun", tmp_path / "small.json", small_folder).stdout


@pytest.mark.long
def test_codes_that_steer_a_terminal_never_reach_it(decided, small_folder, tmp_path):
    """In any text of a record or of dataset.toml, shown as a table, as lines, as JSON or as an error."""
    hidden = "\x1b]0;pwned\x07\x1b[2J\x9b1m\u202e"
    data = json.loads((decided[1] / "small" / "small.json").read_text())
    data["cautions"][0] += hidden
    data["recommendation"]["governed_by"] += hidden
    data["software"]["numpy" + hidden] = hidden
    data["question"]["title"] += hidden
    data["modes"][0]["kind"] += hidden
    (tmp_path / "small.json").write_text(json.dumps(data))
    folder = shutil.copytree(small_folder, tmp_path / "fleet")
    text = (folder / "dataset.toml").read_text()
    escaped = json.dumps(hidden).strip('"')
    (folder / "dataset.toml").write_text(text.replace('notice = "', f'notice = "{escaped}', 1))
    shown = run("rerun", tmp_path / "small.json", folder)
    as_json = run("rerun", tmp_path / "small.json", folder, "--json")
    (tmp_path / "odd.json").write_text(json.dumps(data | {"odd" + hidden: 1}))
    refused_with = run("rerun", tmp_path / "odd.json", folder)
    for result in (shown, as_json, refused_with, run("rank", folder)):
        assert not set(result.output) & set("\x1b\x07\x9b\u202e")
    assert "pwned" in shown.output
    assert hidden in json.loads(as_json.stdout)["stated_not_checked"]["question.title"]


@pytest.mark.parametrize(
    ("text", "words"), [(None, "cannot be read"), ("{}", "not a decision record of form 5 or earlier")]
)
def test_rerun_of_what_is_no_record_is_refused(source, tmp_path, text, words):
    if text is not None:
        (tmp_path / "x.json").write_text(text)
    refused(run("rerun", tmp_path / "x.json", source), "x.json", words)


@pytest.mark.long
def test_a_pack_is_run_again_without_the_data(decided, small_folder, tmp_path):
    packed = run(
        "pack", decided[1] / "small" / "small.json", small_folder, "--out", tmp_path / "small.pack.zip"
    )
    assert packed.exit_code == FINE
    again = run("rerun", tmp_path / "small.pack.zip", "--json")
    assert again.exit_code == FINE, again.output
    assert json.loads(again.stdout)["verdicts"] == ["reproduced"]
    refused(run("rerun", decided[1] / "small" / "small.json"), "give the dataset, too")


@pytest.mark.long
def test_a_decision_is_put_on_paper_with_its_sign_offs(decided, small_folder, tmp_path):
    record, register = decided[1] / "small" / "small.json", tmp_path / "register.jsonl"
    run("sign-off", record, "--role", "certifying <engineer>", "--register", register)
    made = run("document", record, small_folder, "--out", tmp_path / "paper", "--register", register)
    assert made.exit_code == FINE, made.output
    page = (tmp_path / "paper" / "small.sheet.html").read_text(encoding="utf-8")
    assert "certifying &lt;engineer&gt;" in page
    assert (tmp_path / "paper" / "small.sheet.pdf").read_bytes().startswith(b"%PDF")
    assert "1 page of A4" in made.stdout
    for caution in read_decision(record).cautions:
        assert caution.replace("%", " %").replace("  %", " %") in made.stdout


def test_the_register_is_kept_and_checked_from_the_command_line(decided, tmp_path):
    record, register = decided[1] / "small" / "small.json", tmp_path / "register.jsonl"
    added = run("register", "add", record, "--register", register)
    assert added.exit_code == FINE
    signed = run("sign-off", record, "--role", "certifying engineer", "--register", register, "--json")
    code = json.loads(signed.stdout)["code"]
    found = run("register", "verify", register, "--head", code, "--records", decided[1])
    assert found.exit_code == FINE
    assert "2 entries, the chain holds" in found.stdout
    assert "The register cannot prove" in found.stdout
    assert run("register", "verify", register, "--head", "AAAA-BBBB-CCCC-DDDD").exit_code == NO
    register.write_text(register.read_text().replace("certifying", "licensed"))
    cut = register.read_text().splitlines()[1:]
    register.write_text("\n".join(cut) + "\n")
    broken = run("register", "verify", register, "--json")
    assert broken.exit_code == NO
    assert "first broken link" in json.loads(broken.stdout)["problems"][0]
    refused(run("register", "verify", tmp_path / "none.jsonl"), "cannot be read")


# demo ---------------------------------------------------------------------------------------------


@pytest.mark.long
def test_demo_makes_a_fleet_that_loads_and_says_that_it_is_invented(tmp_path):
    folder = tmp_path / "new" / "demo"
    result = run("demo", folder, "--seed", 11)
    assert result.exit_code == FINE
    assert result.stdout == f"Invented demo fleet: {folder}\n"
    fleet = kit.load_fleet(folder, set_aside=tmp_path / "rejected.csv")
    assert len(fleet.tables["aircraft"]) > 30
    assert "nvented" in fleet.notice
    assert np.isfinite(len(fleet.rejected))
    refused(run("demo", folder), "demo: is there already and not empty. Give a new folder.")


@pytest.mark.long
def test_demo_never_writes_over_a_file_or_below_one(tmp_path):
    path = tmp_path / "file"
    path.write_text("mine")
    refused(run("demo", path), "file: is there already")
    refused(run("demo", path / "demo"), "file", "is a file, not a folder. Give a path where you may write.")
    assert path.read_text() == "mine"


def test_an_impossible_seed_is_refused(tmp_path):
    result = run("demo", tmp_path / "demo", "--seed", "-1")
    assert result.exit_code == BAD_INPUT
    assert "--seed" in result.stderr
    assert untouched(tmp_path / "demo")


@pytest.mark.long
def test_decide_keeps_other_files_of_its_folder_and_never_overwrites_another_record(
    small_folder, question_text, tmp_path
):
    """A second run with the same answer changes nothing; another answer of the same name is refused whole."""
    question = tmp_path / "q.toml"
    question.write_text(question_text, encoding="utf-8")
    out = tmp_path / "answers"
    call = ["decide", str(small_folder), "--out", str(out), "--question", str(question)]
    assert run(*call).exit_code in (0, 1)
    (own,) = (path for path in out.iterdir() if path.is_dir())
    (own / "mine.txt").write_text("kept", encoding="utf-8")
    before = {path.name: path.read_bytes() for path in out.rglob("*.*") if path.name != ".lock"}
    assert run(*call).exit_code in (0, 1)
    assert {path.name: path.read_bytes() for path in out.rglob("*.*") if path.name != ".lock"} == before
    question.write_text(question_text.replace("seed = ", "seed = 9"), encoding="utf-8")
    result = run(*call)
    assert result.exit_code == 2
    assert "records are never overwritten" in result.stderr
    assert {path.name: path.read_bytes() for path in out.rglob("*.*") if path.name != ".lock"} == before
