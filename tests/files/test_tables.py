"""CSV tables: RFC 4180, the guard against formulas, and the two tables of a plan."""

import csv
import io
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_plan import OFFENDER, judged, plan

from planner.files.tables import (
    NOTES_COLUMNS,
    cell_text,
    csv_bytes,
    escape_text,
    notes_csv,
    offenders_csv,
    plain_decimal,
    read_csv,
    unescape_text,
)


def records(data: bytes) -> list[list[str]]:
    """Read with Python's own CSV reader, as another program would."""
    return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))


# RFC 4180 (October 2005), section 2, rules 1 to 7: its own examples.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx", [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
        ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
        (
            '"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx',
            [["aaa", "b\r\nbb", "ccc"], ["zzz", "yyy", "xxx"]],
        ),
        ('"aaa","b""bb","ccc"', [["aaa", 'b"bb', "ccc"]]),
    ],
)
def test_examples_of_rfc_4180_are_read(text: str, expected: list[list[str]]) -> None:
    """The reader gives what RFC 4180 says its examples mean."""
    assert [cells for _, cells in read_csv(text.encode())] == expected


def test_writing_follows_rfc_4180() -> None:
    """Records end in CRLF, and fields with comma, quote or line break are quoted."""
    data = csv_bytes(("a", "b"), [("x,y", 'say "a"'), ("line\nbreak", None)])
    assert data == b'a,b\r\n"x,y","say ""a"""\r\n"line\nbreak",\r\n'


def test_semicolon_and_byte_order_mark_on_request() -> None:
    """A semicolon separates on request; the mark is EF BB BF; the reader takes both."""
    data = csv_bytes(("a", "b"), [("1,5", 2.5)], bom=True, delimiter=";")
    assert data == b"\xef\xbb\xbfa;b\r\n1,5;2.5\r\n"
    assert read_csv(data) == [(1, ["a", "b"]), (2, ["1,5", "2.5"])]


def test_lines_are_counted_through_quoted_breaks() -> None:
    """Each record carries the line it begins on, even behind a cell of several lines."""
    assert [line for line, _ in read_csv(b'a\r\n"x\ny\nz"\r\nb\r\n')] == [1, 2, 5]


# CWE-1236 names = + - @; OWASP's page on CSV injection adds tab, CR and LF (from memory).
@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "\nx", "  =x", "＝x"])
def test_formulas_get_an_apostrophe(text: str) -> None:
    """A text that a spreadsheet would run is written with an apostrophe before it."""
    assert cell_text(text) == "'" + text
    assert unescape_text("'" + text) == text


@pytest.mark.parametrize("text", ["", "a=b", "'tis the tide", "C#4", "1-2", "é", "''"])
def test_other_texts_are_left_alone(text: str) -> None:
    """A text that is no formula keeps its first letter, its own apostrophe included."""
    assert cell_text(text) == text
    assert unescape_text(text) == text


def test_numbers_are_never_escaped() -> None:
    """A number below nought is a number, not a formula."""
    assert cell_text(-12.5) == "-12.5"
    assert cell_text(-3) == "-3"


@given(st.text())
def test_escape_is_undone_exactly(text: str) -> None:
    """Whatever a text is, reading takes off what writing put there and no more."""
    assert unescape_text(escape_text(text)) == text
    assert escape_text(text)[:1] not in ("=", "+", "-", "@", "\t", "\r", "\n")


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12))
def test_decimals_are_plain_and_exact(value: float) -> None:
    """A number is written without an exponent and, when rounded first, reads back the same."""
    value = round(value, 7)
    assert re.fullmatch(r"-?\d+\.\d+", plain_decimal(value))
    assert float(plain_decimal(value)) == value


@given(st.lists(st.lists(st.text(), min_size=2, max_size=2)))
def test_tables_of_any_text_read_back(rows: list[list[str]]) -> None:
    """Quotes, line breaks, right-to-left and emoji come back as they went in."""
    data = csv_bytes(("one", "two"), rows)
    back = [[unescape_text(cell) for cell in cells] for _, cells in read_csv(data)]
    assert back == [["one", "two"], *rows]


def test_notes_csv_has_exactly_the_agreed_columns() -> None:
    """The columns are those agreed for notes.csv, no more, no other order, and no mark before."""
    head = notes_csv(plan()).split(b"\r\n")[0].decode()
    assert head == (
        "id,stem,start_s,end_s,start_smp,end_smp,intended,intended_midi,target_hz,onset_cents,"
        "sustain_cents,end_cents,slope_cents_per_s,vibrato_hz,vibrato_half_cents,settle_s,"
        "inharmonicity_b,inharmonicity_b_uncertainty,string,fret,string_confidence,"
        "partials_cents,uncertainty_cents,onset_uncertainty_cents,heard_cents,level_db,"
        "pitched_share,bleed_db,confidence,action,add_cents,reason,not_measured_because,"
        "tolerance_cents,heard_in,onset_confidence,layers,total_add_cents,"
        "slope_uncertainty_cents_per_s,"
        "upper_partials_db"
    )


def test_notes_csv_lists_every_note() -> None:
    """Left, planned and unmeasured notes all stand there, in the plan's order."""
    rows = records(notes_csv(plan()))[1:]
    assert [r[0] for r in rows] == [
        "BAS-0001", "BAS-0002", "BAS-0003", "BAS-0004", "LV-0147", "LV-0148",
    ]  # fmt: skip


def test_notes_csv_rounds_and_leaves_blank_what_was_not_measured() -> None:
    """A measured note carries rounded figures; an unmeasured one blanks and its reason."""
    rows = records(notes_csv(plan()))
    sung = dict(zip(NOTES_COLUMNS, rows[5], strict=True))
    assert (sung["start_s"], sung["target_hz"], sung["sustain_cents"]) == (
        "84.7826", "588.664", "-21.1",
    )  # fmt: skip
    assert (sung["inharmonicity_b"], sung["level_db"], sung["add_cents"]) == (
        "0.0003457", "-18.0", "16.0",
    )  # fmt: skip
    silent = dict(zip(NOTES_COLUMNS, rows[6], strict=True))
    assert silent["sustain_cents"] == silent["uncertainty_cents"] == silent["add_cents"] == ""
    assert silent["confidence"] == ""
    assert silent["not_measured_because"] == "41 % pitched; no number"


def test_notes_csv_says_which_rules_move_a_note() -> None:
    """A note that only rules move is left with its rest, and says by which rule."""
    rows = records(notes_csv(plan()))
    assert notes_csv(plan(), delimiter=";").startswith(b"id;stem;start_s")
    reason, name = rows[0].index("reason"), rows[0].index("id")
    told = {row[name]: row[reason] for row in rows[1:]}
    assert told["BAS-0001"].startswith("moved by R-001; what is left: ")
    assert not told["LV-0147"].startswith("moved by")


def test_notes_csv_prints_the_sum_over_all_rules_and_the_edit() -> None:
    """+4.3 for the part, -9.0 for the pitch, the note's own +16.0: 11.3; without any, blank."""
    moved = judged(layers=(("R-001", 4.3), ("R-004", -9.0)), remaining_cents=-9.7)
    by_rules = judged(
        layers=(("R-001", 4.3), ("R-004", -9.0)), action="leave", add_cents=None,
        remaining_cents=-25.7,
    )  # fmt: skip
    left = judged(action="leave", add_cents=None, remaining_cents=-21.0)
    rows = records(notes_csv(plan(judged=(moved, by_rules, left))))
    told = [dict(zip(NOTES_COLUMNS, row, strict=True)) for row in rows[1:]]
    assert [(row["layers"], row["total_add_cents"]) for row in told] == [
        ("R-001 4.3;R-004 -9.0", "11.3"), ("R-001 4.3;R-004 -9.0", "-4.7"), ("", ""),
    ]  # fmt: skip


def test_notes_csv_leaves_the_level_of_silence_blank() -> None:
    """Digital silence has no level in decibels."""
    one = judged()
    note = replace(one.measured.note, level_db=float("-inf"))
    silent = replace(one, measured=replace(one.measured, note=note))
    row = dict(zip(NOTES_COLUMNS, records(notes_csv(plan(judged=(silent,))))[1], strict=True))
    assert row["level_db"] == ""


def test_notes_csv_refuses_nan() -> None:
    """A NaN among the errors is a fault that names the note."""
    bad = plan(judged=(judged(sustain_cents=float("nan")),))
    with pytest.raises(ValueError, match="a number of note LV-0147 is nan"):
        notes_csv(bad)


def test_offenders_csv_tells_rank_and_terms_in_words() -> None:
    """Each offender is one line, worst term first, with a word for where the stop line lies."""
    data = offenders_csv(plan())
    assert data.startswith(b"\xef\xbb\xbf")
    head, first, _, last = records(data)
    found = dict(zip(head, first, strict=True))
    assert found["terms"].startswith("rubbing against another part 25.0, how far out of tune")
    assert (found["rank"], found["times"], found["above_stop_line"]) == ("1", "6", "yes")
    assert dict(zip(head, last, strict=True))["above_stop_line"] == "no"


def test_offenders_csv_guards_against_formulas() -> None:
    """A headline that begins like a formula is written as text."""
    data = offenders_csv(plan(offenders=(replace(OFFENDER, headline="=cmd|' /C calc'!A0"),)))
    assert "'=cmd" in records(data)[1][8]
