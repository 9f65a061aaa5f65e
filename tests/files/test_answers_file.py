"""The answers file: added to byte for byte, whole or not at all, never among the audio."""

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.answer.answers import ANSWERS, Area, Entry, Override
from planner.errors import OutputError, PlannerError
from planner.files import answers_file
from planner.files.answers_file import answers_path, append_answers, entry_to_dict, read_answers

NO = Entry(
    id="LV-0147", answer="no", comment='love "that",\nscoop', by="producer", date="2026-11-25",
    plan="plan_01", source="reply", stem="LV", start_s=84.7826, end_s=86.1826, intended="D5",
    was="raise by 16, give or take 2", add_cents=16.0, sha256="ab" * 32,
)  # fmt: skip
HAND = Entry(id="BAS-0012", override=Override(add_cents=-6.0, intended_midi=40), locked=True)
GOLDEN = """\
# What people answered to the plans of this session, in order. `planner answer` adds to the
# end; lines of your own are kept. `planner plan` reads it and never writes it.
version: 1
song: "Low Tide Ledger"
answers:
- id: "LV-0147"
  answer: "no"
  comment: "love \\"that\\",\\nscoop"
  by: "producer"
  date: "2026-11-25"
  plan: "plan_01"
  source: "reply"
  stem: "LV"
  start_s: 84.7826
  end_s: 86.1826
  intended: "D5"
  was: "raise by 16, give or take 2"
  add_cents: 16.0
  sha256: "%s"
- id: "BAS-0012"
  locked: true
  override:
    add_cents: -6.0
    intended: "E2"
  source: "file"
""" % ("ab" * 32)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return answers_path(tmp_path / "song.yaml", tmp_path / "plans")


def add(path: Path, *entries: Entry) -> None:
    append_answers(path, "Low Tide Ledger", entries, audio=())


def test_golden(path: Path) -> None:
    """The file as it is first written, and what it reads back as."""
    add(path, NO, HAND)
    assert path.name == "song.answers.yaml"
    assert path.read_text(encoding="utf-8") == GOLDEN
    assert read_answers(path) == (NO, HAND)
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_no_file_is_no_answers(path: Path) -> None:
    """Nothing was answered yet."""
    assert read_answers(path) == ()


def test_what_stands_there_stays_byte_for_byte(path: Path) -> None:
    """Comments, spelling and order of a person's own lines are kept; new answers come behind."""
    add(path, NO)
    mine = path.read_bytes() + (
        b"# mine\n- {id: BAS-0012, answer: yes, override: {add_cents: -6}}   # trust me"
    )
    path.write_bytes(mine)
    add(path, HAND)
    assert path.read_bytes().startswith(mine)
    assert [e.id for e in read_answers(path)] == ["LV-0147", "BAS-0012", "BAS-0012"]


def test_an_indented_list_goes_on_indented(path: Path) -> None:
    """Where a person wrote the list with an indent, new answers take the same."""
    path.parent.mkdir()
    path.write_text("version: 1\nanswers:\n    - id: LV-0001\n      answer: ask\n")
    add(path, NO)
    assert [e.id for e in read_answers(path)] == ["LV-0001", "LV-0147"]


@pytest.mark.parametrize(
    "text",
    ["version: 1\nanswers: [{id: LV-0001, answer: no}]\n",
     "version: 1\nanswers:\n- {id: LV-0001, answer: no}\nsong: x\n"],
)  # fmt: skip
def test_a_form_that_takes_nothing_more_is_told(path: Path, text: str) -> None:
    """A list in brackets, or one that is not the last thing, is left untouched."""
    path.parent.mkdir()
    path.write_text(text)
    with pytest.raises(OutputError, match="nothing can be added to this file as it stands"):
        add(path, NO)
    assert path.read_text() == text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("version: 1\n", "it has no list 'answers'"),
        ("version: 2\nanswers: []\n", "is 2, and this planner reads version 1"),
        ("version: 1\nanswer: []\nanswers: []\n", "answer: is no field of an answers file"),
        ("version: 1\nanswers: {}\nx: 1\n", "x: is no field"),
        ("version: 1\nanswers: yes\n", "answers: this should be a list, not 'yes'"),
        ("version: 1\nanswers: [LV-0001]\n", "this should be a mapping, not 'LV-0001'"),
        ("version: 1\nanswers:\n- {answer: no}\n", "answers[0].id: this is missing"),
        ("version: 1\nanswers:\n- {id: LV-0001, anwser: no}\n", "Did you mean 'answer'?"),
        ("version: 1\nanswers:\n- {id: LV-0001, answer: maybe}\n",
         "Write one of yes, no, ask, half, note"),
        ("version: 1\nanswers:\n- {id: LV-0001, comment: 3}\n", "this should be text, not 3"),
        ("version: 1\nanswers:\n- {id: LV-0001, locked: x}\n", "this should be true or false"),
        ("version: 1\nanswers:\n- {id: LV-0001, start_s: x}\n", "this should be a number, not 'x'"),
        ("version: 1\nanswers:\n- {id: LV-0001, override: 3}\n",
         "override: this should be a mapping"),
        ("version: 1\nanswers:\n- {id: L-1, override: {cents: 3}}\n",
         "override.cents: unknown key. Did you mean 'add_cents'?"),
        ("version: 1\nanswers:\n- {id: L-0001, override: {intended: H9}}\n", "'H9' is no note"),
        ("version: 1\nanswers:\n- {id: L-0001, override: {action: raise-lower}}\n",
         "raise-lower needs add_cents"),
        ("version: 1\nanswers:\n- {id: L-0001, override: {action: leave, add_cents: 3}}\n",
         "leave moves nothing, so it takes no add_cents"),
        ("version: 1\nanswers:\n- {id: L-1, override: {action: shape}}\n",
         "'shape' is not possible"),
        ("version: 1\nanswers:\n- {id: Q-001, override: {action: leave}}\n",
         "Q-001 is no note and no rule"),
        ("version: 1\nanswers:\n- {id: R-001, override: {intended: D4}}\n",
         "a rule has no note or action of its own"),
        ("version: 1\nanswers:\n- {id: R-001, override: {target_cents: 4}}\n",
         "a rule has no note or action of its own"),
        ("version: 1\nanswers:\n- {id: L-1, override: {points: '0:0;1'}}\n",
         "is no list of points. Write seconds:cents"),
        ("version: 1\nanswers:\n- {id: L-1, override: {points: '1:0;0:3'}}\n",
         "must go forward in time from the note's start"),
        ("version: 1\nanswers:\n- {id: L-1, override: {points: '0:0;1:3', add_cents: 2}}\n",
         "points stand alone"),
        ("version: 1\nanswers:\n- {where: BAS, locked: true}\n", "where: this should be a mapping"),
        ("version: 1\nanswers:\n- {where: {stem: BAS}}\n", "locked: this is missing"),
        ("version: 1\nanswers:\n- {where: {stem: BAS}, answer: no}\n",
         "a place can be locked, or a stem given a role, and nothing else said of it"),
        ("version: 1\nanswers:\n- {where: {from_bar: 3}, locked: true}\n",
         "needs from_bar and to_bar together"),
        ("version: 1\nanswers:\n- {where: {from_bar: x, to_bar: 3}, locked: true}\n",
         "where.from_bar: this should be a whole number (bars), not 'x'"),
        ("version: 1\nanswers:\n- {where: {from_bar: 4, to_bar: 3}, locked: true}\n",
         "bars 4 to 3 end before they begin"),
        ("version: 1\nanswers:\n- {where: {stem: BAS}, override: {role: bass}}\n",
         "override.role: 'bass' is not possible here. Did you mean 'brass'? Write one of "),
        ("version: 1\nanswers:\n- {where: {stem: BAS, from_bar: 1, to_bar: 2},"
         " override: {role: bowed}}\n", "a stem has one role in all its bars"),
        ("version: 1\nanswers:\n- {id: R-001, override: {role: bowed}}\n",
         "a stem has a role, and no row. Write where: {stem: BAS} in place of the id."),
        ("version: 1\nanswers:\n- {id: L-0001, override: {from_bar: 3}}\n",
         "L-0001 is no rule, so it has no bars"),
        ("version: 1\nanswers:\n- {id: R-001, override: {to_bar: 3}}\n",
         "to_bar needs from_bar beside it"),
        ("version: 1\nanswers:\n- {id: R-001, override: {from_bar: x}}\n",
         "override.from_bar: this should be a whole number (bars), not 'x'"),
        ("version: 1\nanswers:\n- {id: R-001, override: {from_bar: 4, to_bar: 3}}\n",
         "override: bars 4 to 3 end before they begin"),
        ("version: 1\nanswers:\n- {id: L-0001, override: {from_s: 3}}\n",
         "override: needs from_s and to_s together"),
        ("version: 1\nanswers:\n- {id: L-0001, override: {from_s: 3, to_s: 3.04}}\n",
         "override: 3 to 3.04 s is no span of a note. A note lasts 0.05 s at the least."),
        ("version: 1\nanswers:\n- {id: L-0001, override: {from_s: 3, to_s: .nan}}\n",
         "override.to_s: nan is out of range"),
        ("version: 1\nanswers:\n- {id: R-001, override: {from_s: 3, to_s: 4}}\n",
         "a rule has no note or action of its own"),
    ],
)  # fmt: skip
def test_faults_are_told_with_their_place(path: Path, text: str, words: str) -> None:
    """Every fault names the file, the field, and what would do; nothing is added to it."""
    path.parent.mkdir()
    path.write_text(text)
    with pytest.raises(PlannerError) as told:
        add(path, NO)
    assert words in str(told.value)
    assert str(told.value).startswith("song.answers.yaml")
    assert path.read_text() == text


def test_bare_words_and_empty_fields() -> None:
    """yes without quotes is a word; a reader of YAML 1.1 saves it as true, which counts too."""
    found = answers_file.entries_from(
        [{"id": "A-1", "answer": True, "by": None}, {"id": "A-2", "answer": "no"}], {}, "f", "w"
    )
    assert [(e.answer, e.by) for e in found] == [("yes", ""), ("no", "")]


def test_never_among_the_audio(path: Path) -> None:
    """A place in a folder that holds stems is refused, and nothing appears there."""
    path.parent.mkdir()
    with pytest.raises(OutputError, match="nothing is ever written there"):
        append_answers(path, "x", [NO], audio=(path.parent,))
    assert list(path.parent.iterdir()) == []


def test_a_failed_write_leaves_the_old_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a full disk the old answers stay as they are, and no half file is left."""
    add(path, NO)
    before = path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match=r"could not be written \(No space left on device\)"):
        add(path, HAND)
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_two_writers_do_not_lose_answers(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where somebody else wrote in between, nothing is replaced."""
    add(path, NO)
    real = os.fsync

    def other_writes(handle: int) -> None:
        path.write_bytes(path.read_bytes() + b"# theirs\n")
        real(handle)

    monkeypatch.setattr(os, "fsync", other_writes)
    with pytest.raises(OutputError, match="somebody else wrote to the answers"):
        add(path, HAND)
    assert path.read_text().endswith("# theirs\n")


TEXT = st.text(st.characters(exclude_categories=("Cs",)), max_size=30)
ENTRY = st.builds(
    Entry,
    id=st.from_regex(r"[A-Z]{2}-[0-9]{4}", fullmatch=True),
    answer=st.sampled_from(ANSWERS),
    comment=st.none() | TEXT,
    by=TEXT,
    locked=st.none() | st.booleans(),
    start_s=st.none() | st.floats(0, 5000).map(lambda x: round(x, 4)),
    source=st.sampled_from(["reply", "page", "sheet", "file"]),
)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.lists(ENTRY, min_size=1, max_size=3), min_size=1, max_size=3))
def test_round_trip(tmp_path_factory: pytest.TempPathFactory, times: list[list[Entry]]) -> None:
    """Answers added in any number of steps, with any text, read back equal and in order."""
    path = tmp_path_factory.mktemp("plans") / "song.answers.yaml"
    for entries in times:
        add(path, *entries)
    assert read_answers(path) == tuple(e for entries in times for e in entries)


def test_blank_fields_are_left_out() -> None:
    """Only what was said is written; a comment that was taken out is written as empty."""
    assert entry_to_dict(Entry(id="LV-1", comment="")) == {
        "id": "LV-1", "comment": "", "source": "file",
    }  # fmt: skip


def test_places_targets_and_points_come_back(path: Path) -> None:
    """Locks, hands off, a target moved by hand and drawn points read as they were written."""
    entries = (
        Entry(id="", area=Area(stem="BAS", from_bar=12, to_bar=16), locked=True, by="E"),
        Entry(id="", area=Area(stem="BAS"), locked=True, answer="no"),  # hands off
        Entry(id="LV-0001", override=Override(target_cents=-14.0)),
        Entry(id="LV-0002", override=Override(points=((0.0, 0.0), (0.85, 12.5)))),
        Entry(id="LV-0003", override=Override(add_cents=4.0, span_s=(3.1, 3.92))),
    )
    append_answers(path, "x", entries, audio=())
    assert read_answers(path) == entries
    text = path.read_text()
    assert 'points: "0:0;0.85:12.5"' in text
    assert "from_bar: 12" in text
    assert "from_s: 3.1" in text


def test_roles_and_bars_come_back(path: Path) -> None:
    """A stem's role, a rule's bars, with and without an end: written and read the same."""
    given = (
        Entry(id="", area=Area(stem="BAS"), override=Override(role="bass-fretless"), by="Ed"),
        Entry(id="R-002", override=Override(bars=(19, 34)), by="Ed"),
        Entry(id="R-003", override=Override(bars=(19, None))),
    )
    add(path, *given)
    assert read_answers(path) == given
    text = path.read_text(encoding="utf-8")
    assert 'where:\n    stem: "BAS"\n  override:\n    role: "bass-fretless"\n' in text
    assert "from_bar: 19\n    to_bar: 34\n" in text
