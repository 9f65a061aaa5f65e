"""Plans of earlier runs read back: which is the latest, and what people typed into their lists."""

from dataclasses import replace
from pathlib import Path

import pytest

from planner.answer.answers import Entry, HumanColumns
from planner.answer.ledger import Known
from planner.editlist import edit_list_to_dict
from planner.errors import PlannerError
from planner.files.edit_list import edit_list_csv_bytes, yaml_bytes
from planner.files.past_plans import (
    changed_numbers,
    decisions_yaml,
    ledger_csv,
    plan_folders,
    read_human_columns,
    read_past_plan,
    read_ranks,
    same_human,
    typed_in_place,
)
from planner.files.tables import offenders_csv
from planner.words.plan_model import Plan
from planner.write.provenance import run_record
from tests.invented_plan import RULE, plan, row

TYPED = Entry(id="LV-0147", state="parked", by="ed", comment="ask", plan="plan_01", source="sheet")


def written(
    out: Path, number: int, made: Plan | None = None, typed: tuple[Entry, ...] = ()
) -> Path:
    """A plan folder with what is read back of it."""
    made = made or plan()
    folder = out / f"plan_{number:02d}"
    folder.mkdir(parents=True)
    (folder / "edit_list.yaml").write_bytes(yaml_bytes(edit_list_to_dict(made)))
    (folder / "edit_list.csv").write_bytes(edit_list_csv_bytes(edit_list_to_dict(made)))
    (folder / "run.yaml").write_bytes(yaml_bytes(run_record(made, {})))
    (folder / "ledger.csv").write_bytes(ledger_csv((Known(id="LV-0147", kind="note", stem="LV"),)))
    (folder / "offenders.csv").write_bytes(offenders_csv(made))
    decisions = decisions_yaml(made.rows, typed)
    if decisions is not None:
        (folder / "decisions.yaml").write_bytes(decisions)
    return folder


def test_the_latest_plan_of_the_song_is_first(tmp_path: Path) -> None:
    """By number, not by name; other songs' and other people's folders are passed over."""
    for number in (1, 2, 10, 100):
        written(tmp_path, number)
    from dataclasses import replace

    other = plan(session=replace(plan().session, song="Another"))
    written(tmp_path, 101, other)
    (tmp_path / "plan_102").mkdir()
    (tmp_path / "plan_final").mkdir()
    names = [p.name for p in plan_folders(tmp_path, plan().session.song)]
    assert names == ["plan_100", "plan_10", "plan_02", "plan_01"]
    assert plan_folders(tmp_path / "nowhere", "x") == ()


def test_a_plan_reads_back(tmp_path: Path) -> None:
    """Rows, ids, contents, human columns as written, and what was typed before."""
    past = read_past_plan(written(tmp_path, 1, typed=(TYPED,)))
    assert past.name == "plan_01"
    assert [r.id for r in past.rows] == [r.id for r in plan().rows]
    assert past.sha256_of == {code: facts.sha256 for code, facts in plan().facts}
    assert past.written["R-001"] == HumanColumns(state="approved", by="engineer")
    assert past.written["LV-0153"].comment == 'she said "leave it",\nthen =changed her mind'
    assert past.typed == (TYPED,)
    assert typed_in_place(past) == {}
    assert read_ranks(past.folder)[1] == "LV-0147"


def test_no_answers_no_decisions(tmp_path: Path) -> None:
    """Where nobody said anything, there is no such file."""
    assert decisions_yaml([row()], ()) is None
    past = read_past_plan(written(tmp_path, 1, plan(rows=(row(),))))
    assert (past.written, past.typed) == ({}, ())


@pytest.mark.parametrize("name", ["edit_list.csv", "edit_list.yaml"])
def test_what_is_typed_in_place_is_found(tmp_path: Path, name: str) -> None:
    """A state changed in either form of the list is what a person typed."""
    folder = written(tmp_path, 1)
    path = folder / name
    old, new = (b",approved,", b",refused,") if name.endswith("csv") else (
        b'state: "approved"', b'state: "refused"',
    )  # fmt: skip
    assert old in path.read_bytes()
    path.write_bytes(path.read_bytes().replace(old, new))
    found = typed_in_place(read_past_plan(folder))
    assert found == {"R-001": HumanColumns(state="refused", by="engineer")}


def test_a_list_that_was_deleted_is_not_missed(tmp_path: Path) -> None:
    """Without the CSV the YAML speaks alone; without the YAML the run stops."""
    folder = written(tmp_path, 1)
    (folder / "edit_list.csv").unlink()
    assert typed_in_place(read_past_plan(folder)) == {}
    (folder / "edit_list.yaml").unlink()
    with pytest.raises(PlannerError, match="cannot be read"):
        read_past_plan(folder)


def test_decisions_must_be_a_mapping(tmp_path: Path) -> None:
    """A decisions file that is something else is told by its place."""
    folder = written(tmp_path, 1)
    (folder / "decisions.yaml").write_text("- 1\n")
    with pytest.raises(PlannerError, match=r"plan_01/decisions.yaml: is no list of decisions"):
        read_past_plan(folder)


def test_line_ends_of_a_spreadsheet_are_no_edit() -> None:
    """CR LF inside a cell says the same as LF."""
    saved, typed = HumanColumns(comment="a\r\nb"), HumanColumns(comment="a\nb")
    assert same_human(saved, typed)
    assert not same_human(HumanColumns(comment="a b"), typed)
    assert not same_human(replace(saved, state="done"), typed)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("id,state\nLV-1,\n", HumanColumns()),
        ("\ufeffLocked;ID;State\nx;LV-1;APPROVED\n", HumanColumns(state="approved", locked=True)),
        ('id;comment;locked\nLV-1;"a;\nb";TRUE\n', HumanColumns(comment="a;\nb", locked=True)),
        ("id,comment\nLV-1,'=1+1\n", HumanColumns(comment="=1+1")),
        ("id,state,comment\n\n,x,y\nLV-1,done,\n", HumanColumns(state="done")),
        ("id,comment,by\nLV-1,short\n", HumanColumns(comment="short")),
    ],
)
def test_human_columns_as_spreadsheets_save_them(
    tmp_path: Path, text: str, wanted: HumanColumns
) -> None:
    """Any order, separator, spelling of yes, capitals, empty lines, cells cut at the end."""
    path = tmp_path / "list.csv"
    path.write_bytes(text.encode("utf-8"))
    assert read_human_columns(path) == {"LV-1": wanted}


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "has no column 'id' beside"),
        (b"id,action\nLV-1,leave\n", "has no column 'id' beside"),
        (b"id,state\nLV-1,aproved\n", "2: state: 'aproved' is no state. Use new, approved"),
        (b"id,locked\nLV-1,maybe\n", "'maybe' does not read as yes or no"),
        (b"id,state\nLV-1,new\nLV-1,done\n", "3: id: the row LV-1 stands there twice"),
        (b"id,state\n\xff,new\n", "is no UTF-8 text (byte 9). Save it as UTF-8."),
        (
            # A byte order mark that a spreadsheet read as Windows-1252 and saved as UTF-8.
            b"\xef\xbb\xbf".decode("cp1252").encode("utf-8") + b"id,state\nR-001,new\n",
            "took it for another character set than UTF-8, so texts may be garbled. Open the plan",
        ),
        (b'id,state\n"LV-1,new\n', "is no CSV"),
    ],
)
def test_faults_of_a_sheet_are_told(tmp_path: Path, data: bytes, words: str) -> None:
    """With file, line and field; nothing is guessed."""
    path = tmp_path / "list.csv"
    path.write_bytes(data)
    with pytest.raises(PlannerError) as told:
        read_human_columns(path)
    assert words in str(told.value)
    with pytest.raises(PlannerError, match="cannot be read"):
        read_human_columns(tmp_path / "nothing.csv")


def test_changed_numbers_are_found(tmp_path: Path) -> None:
    """A number in another spelling is the same; another number or action is not."""
    rows = (RULE, row())
    path = tmp_path / "list.csv"
    path.write_text("id;action;add_cents\nR-001;whole-part;4,3\nLV-0147;raise-lower;16\n")
    assert changed_numbers(path, rows) == []
    path.write_text("id,action,add_cents\nR-001,leave,5\nLV-0147,raise-lower,x\nXX-1,leave,\n")
    assert changed_numbers(path, rows) == [
        ("R-001", "action", "leave"), ("R-001", "add_cents", "5"), ("LV-0147", "add_cents", "x"),
    ]  # fmt: skip


def test_a_broken_offenders_list_is_told(tmp_path: Path) -> None:
    """Numbers cannot be understood without it; ids still can."""
    folder = written(tmp_path, 1)
    (folder / "offenders.csv").write_text("rank\nx\n")
    with pytest.raises(PlannerError, match="Answer by row ids, or plan again"):
        read_ranks(folder)
