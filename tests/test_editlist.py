"""The edit list as plain data: order, rounding, round trip, and what a bad list is told."""

import dataclasses
import math
import re
from typing import Any

import pytest
from invented_plan import judged, plan, row

from planner.editlist import COLUMNS, EDIT_LIST_FORMAT_VERSION, edit_list_from_dict
from planner.editlist import edit_list_to_dict as to_dict
from planner.errors import PlannerError
from planner.pitch import cents
from planner.words.plan_model import Row


def read(data: object, **options: Any) -> Any:
    return edit_list_from_dict(data, file="edit_list.yaml", **options)


def broken(**changes: Any) -> dict[str, Any]:
    """The invented list with some fields of its second row changed."""
    data = to_dict(plan())
    data["rows"][1].update(changes)
    return data


def test_columns_are_the_fields_of_a_row() -> None:
    """Every field of a row is a column of the list, in the record's order."""
    assert [c.name for c in COLUMNS] == [f.name for f in dataclasses.fields(Row)]


def test_header_comes_first_in_fixed_order() -> None:
    """The header names version, song, session A4 and sign rule before any row."""
    assert list(to_dict(plan())) == [
        "format_version", "planner_version", "song", "session_a4_hz", "sign_rule", "temperament",
        "judging", "rate", "missing_stems", "rows",
    ]  # fmt: skip


def test_sign_rule_in_words_is_that_of_the_pitch_module() -> None:
    """The words say plus is sharp, and 442 against 440 Hz is plus."""
    assert cents(442, 440) > 0
    assert "plus is sharp" in to_dict(plan())["sign_rule"]


def test_numbers_are_rounded_once() -> None:
    """Cents carry one decimal, seconds four, Hz three, and minus nought becomes nought."""
    found = to_dict(plan())["rows"][1]
    assert (found["sustain_cents"], found["start_s"], found["target_hz"]) == (
        -21.1, 84.7826, 588.664,
    )  # fmt: skip
    assert math.copysign(1, found["slope_cents_per_s"]) == 1
    assert found["start_smp"] == 4069565


def test_blank_is_null_and_never_nought() -> None:
    """A value that is absent is None in the data, texts included."""
    found = to_dict(plan())["rows"][0]
    assert found["onset_cents"] is None
    assert found["word"] is None
    assert found["intended_midi"] is None


def test_round_trip_gives_the_rounded_rows() -> None:
    """Reading the data back gives records that write the same data again."""
    data = to_dict(plan())
    back = read(data)
    assert to_dict(plan(rows=back.rows)) == data
    assert back.rows[2].points[2] == (1.9, 18.0)
    assert back.session_a4_hz == 441.0
    assert back.missing_stems == ("CEL",)


def test_rate_is_the_one_all_stems_share() -> None:
    """Without a session rate the list names the stems' rate, and none where they differ."""
    facts = plan().facts[0][1]
    session = dataclasses.replace(plan().session, rate=None)
    one = plan(session=session)
    other = dataclasses.replace(facts, sr=44100)
    assert to_dict(one)["rate"] == 48000
    assert to_dict(plan(session=session, facts=(("LV", facts), ("AG", other))))["rate"] is None


def test_missing_human_columns_take_their_start_values() -> None:
    """A row with only what it must have is new, unlocked, and covers one note."""
    data = to_dict(plan(rows=()))
    data["rows"] = [
        {"id": "Q-1", "kind": "question", "stem": "LV", "apply_to": ["a.wav"], "action": "ask"}
    ]
    found = read(data).rows[0]
    assert (found.state, found.locked, found.notes_covered, found.scope) == ("new", False, 1, None)


def test_half_characters_are_replaced() -> None:
    """A file name that is no Unicode is written with a question mark in place of the bad byte."""
    assert to_dict(plan(rows=(row(word="a\udce9"),)))["rows"][0]["word"] == "a?"


def test_number_that_is_none_must_not_be_nan() -> None:
    """NaN in a plan is a fault that names its field and row."""
    with pytest.raises(ValueError, match=r"add_cents of row LV-0147 is nan; .* must be None"):
        to_dict(plan(rows=(row(add_cents=math.nan),)))


def test_other_major_version_is_refused() -> None:
    """A list of another major version is refused, with what to do."""
    data = {**to_dict(plan()), "format_version": "2.0"}
    with pytest.raises(PlannerError, match=r"format_version: is 2\.0, but this planner reads 1\.x"):
        read(data)


def test_newer_minor_version_may_bring_unknown_fields() -> None:
    """A newer minor version is read, and what it adds is passed over."""
    data = {**broken(hue="x"), "format_version": "1.7"}
    assert len(read(data).rows) == 4
    assert EDIT_LIST_FORMAT_VERSION == "1.2"


def test_version_that_a_spreadsheet_shortened_is_read() -> None:
    """The version 1, which a spreadsheet makes of 1.0, counts as 1.0."""
    assert len(read({**to_dict(plan()), "format_version": "1"}).rows) == 4


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"add_cent": 1.0}, "add_cent: unknown key. Did you mean 'add_cents'"),
        ({"zzzz": 1.0}, "rows[1].zzzz: unknown key. Known: id, kind"),
        ({"add_cents": "low"}, "rows[1].add_cents: this should be a number, not 'low'"),
        ({"add_cents": True}, "rows[1].add_cents: this should be a number, not true"),
        ({"add_cents": math.inf}, "rows[1].add_cents: inf is out of range"),
        ({"start_smp": 1.5}, "rows[1].start_smp: this should be a whole number, not 1.5"),
        ({"id": None}, "rows[1].id: this is missing"),
        ({"id": 12}, "rows[1].id: this should be text, not 12. Put it in quotes."),
        ({"action": "raise-low"}, "'raise-low' is not possible here. Did you mean 'raise-lower'?"),
        ({"state": "?"}, "rows[1].state: '?' is not possible here. Write one of new, approved"),
        ({"locked": "no"}, "rows[1].locked: this should be true or false, not 'no'"),
        ({"apply_to": "a.wav"}, "rows[1].apply_to: this should be a list, not 'a.wav'"),
        ({"apply_to": ["a", ""]}, "rows[1].apply_to[1]: this text is empty"),
        ({"points": [[0.0]]}, "rows[1].points[0]: this should be a pair [seconds, cents]"),
        ({"points": [[0.0, "x"]]}, "rows[1].points[0][1]: this should be a number, not 'x'"),
        ({"layers": [{}]}, "rows[1].layers[0]: this should be a pair [rule, cents]"),
        ({"comment": {}}, "rows[1].comment: this should be text, not a mapping"),
    ],
)  # fmt: skip
def test_bad_field_is_told_with_its_path(changes: dict[str, Any], message: str) -> None:
    """A field that does not fit is named by its dotted path, with what was found there."""
    with pytest.raises(PlannerError, match=re.escape(message)):
        read(broken(**changes))


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (None, "edit_list.yaml: this should be a mapping, not nothing. Is this an edit list?"),
        ([], "edit_list.yaml: this should be a mapping, not a list"),
        ({**to_dict(plan()), 1: 2}, "1: unknown key"),
        ({}, "format_version: this is missing"),
        ({"format_version": "one"}, "format_version: 'one' is no version. Write it as \"1.2\"."),
        (
            {**to_dict(plan()), "rows": None},
            "rows: this should be a list, not nothing. For example []",
        ),
        ({**to_dict(plan()), "rows": [3]}, "rows[0]: this should be a mapping, not 3"),
        ({**to_dict(plan()), "row": []}, "row: unknown key. Known: format_version"),
    ],
)
def test_bad_list_is_told(data: object, message: str) -> None:
    """What is no edit list at all is refused in words."""
    with pytest.raises(PlannerError, match=re.escape(message)):
        read(data)


def test_message_carries_the_line_of_the_field_or_of_what_holds_it() -> None:
    """The line of the field is told where known, else that of its row."""
    with pytest.raises(PlannerError) as caught:
        read(broken(add_cents="low"), lines={"rows[1]": 40, "rows[1].add_cents": 73})
    assert str(caught.value).startswith("edit_list.yaml:73: rows[1].add_cents")
    with pytest.raises(PlannerError) as caught:
        read(broken(points=[[1]]), lines={"rows[1]": 40})
    assert caught.value.line == 40


def test_a_plan_is_left_as_it_was() -> None:
    """Writing a plan changes nothing in it."""
    before = plan(judged=(judged(),))
    to_dict(before)
    assert before.rows == plan().rows
