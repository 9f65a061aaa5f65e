"""The edit list on disk: YAML for two versions, CSV, and the promise kept."""

import csv
import importlib.util
import io
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_plan import plan, row

from planner.editlist import COLUMNS, HEADER, edit_list_from_dict, edit_list_to_dict
from planner.errors import PlannerError, PromiseError
from planner.files.edit_list import (
    CSV_NAME,
    YAML_NAME,
    check_edit_lists,
    edit_list_csv_bytes,
    read_edit_list_csv,
    read_edit_list_yaml,
    yaml_bytes,
)
from planner.words.plan_model import Row

# YAML 1.2.2 section 10.3.2, core schema: what a plain scalar may be besides a text.
CORE_1_2 = re.compile(
    r"null|Null|NULL|~||true|True|TRUE|false|False|FALSE|[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+"
    r"|[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)"
)
# Texts that YAML 1.1 and 1.2 read differently (PyYAML 6.0.4 against ruamel.yaml 0.19.1, tried),
# and others that ask for trouble.
NASTY = [
    "NO", "yes", "on", "010", "0o10", "1e3", "12:30:45", "1:30", "190:20:30", "2026-11-25", "~",
    "null", "C#4", "A #4", "=cmd|' /C calc'!A0", "'=x", "''=x", "- x", "# x", "a: b", "{}", "[",
    '"', '""', "it's", "a\nb", "a\r\nb", "\ttab", "a;b\\;c", "\\", ";", "été", "🎻", "שלום, עולם",
    "\u202eright to left", "\u2028", "\x85", "\ufeffmark", "nul\0", "x" * 300, " spaces ", "'",
]  # fmt: skip


def rows_of(data: dict[str, Any]) -> tuple[Row, ...]:
    return edit_list_from_dict(data, file="the plan").rows


def both(data: dict[str, Any], folder: Path) -> Path:
    """Write both forms into a new folder below the given one."""
    target = folder / f"{len(list(folder.iterdir()))}"
    target.mkdir()
    (target / YAML_NAME).write_bytes(yaml_bytes(data))
    (target / CSV_NAME).write_bytes(edit_list_csv_bytes(data))
    return target


def test_both_forms_read_back_equal_cell_for_cell(tmp_path: Path) -> None:
    """YAML and CSV carry the same header and the same rows, and both read back as planned."""
    data = edit_list_to_dict(plan())
    folder = both(data, tmp_path)
    wanted = edit_list_from_dict(data, file="the plan")
    assert read_edit_list_yaml(folder / YAML_NAME) == wanted
    assert read_edit_list_csv(folder / CSV_NAME) == wanted


@pytest.mark.outside
def test_pyyaml_reads_the_yaml_as_planned() -> None:
    """A reader of YAML 1.1 (PyYAML) finds exactly the planned values."""
    data = edit_list_to_dict(plan())
    assert yaml.safe_load(yaml_bytes(data)) == data


@pytest.mark.outside
def test_a_reader_of_yaml_1_2_reads_it_as_planned() -> None:
    """A reader of YAML 1.2 (ruamel.yaml) finds exactly the planned values, strange texts too."""
    ruamel = pytest.importorskip("ruamel.yaml")
    nasty = tuple(row(id=f"LV-{i:04d}", word=text, comment=text) for i, text in enumerate(NASTY))
    data = edit_list_to_dict(plan(rows=(*plan().rows, *nasty)))
    reader = ruamel.YAML(typ="safe", pure=True)
    assert reader.load(yaml_bytes(data).decode("utf-8")) == data
    # The same text is two things to the two versions, or this would show nothing.
    assert (reader.load("010"), yaml.safe_load("010")) == (10, 8)


def test_readers_of_yaml_1_1_and_1_2_agree_on_every_scalar() -> None:
    """Every value that is text is quoted, and every plain one is the same in both schemas."""
    nasty = tuple(row(id=f"LV-{i:04d}", word=text, comment=text) for i, text in enumerate(NASTY))
    data = edit_list_to_dict(plan(rows=(*plan().rows, *nasty)))
    loader: Any = yaml.SafeLoader(yaml_bytes(data).decode())
    names = {c.name for c in (*COLUMNS, *HEADER)} | {"rows"}
    quoted = 0
    for token in iter(loader.get_token, None):
        if not isinstance(token, yaml.ScalarToken):
            continue
        if not token.plain:
            quoted += 1
        elif token.value not in names:
            old = loader.resolve(yaml.ScalarNode, token.value, (True, False))
            assert old != "tag:yaml.org,2002:str", token.value
            assert CORE_1_2.fullmatch(token.value), token.value
            number = re.fullmatch(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?", token.value)
            assert number or token.value in ("null", "true", "false"), token.value
    assert quoted > 300
    assert not any(CORE_1_2.fullmatch(name) for name in names)


def test_yaml_has_no_anchors_and_plain_line_ends() -> None:
    """The same record twice is written twice, lines end in LF, and the file ends with one."""
    rows = edit_list_to_dict(plan())["rows"]
    text = yaml_bytes({"a": rows[0], "b": rows[0]})
    assert b"&id" not in text
    assert b"\r" not in text
    assert text.endswith(b"\n")


def test_compiled_and_plain_writer_give_the_same_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiled YAML writer changes nothing but the time it takes."""
    data = edit_list_to_dict(plan(rows=tuple(row(comment=text, word=text) for text in NASTY)))
    spec = importlib.util.find_spec("planner.files.edit_list")
    assert spec is not None
    assert spec.loader is not None
    plain = importlib.util.module_from_spec(spec)
    monkeypatch.delattr(yaml, "CSafeDumper", raising=False)
    spec.loader.exec_module(plain)
    assert yaml_bytes(data) == plain.yaml_bytes(data)


def test_same_plan_gives_the_same_bytes() -> None:
    """Writing twice gives the same bytes."""
    assert yaml_bytes(edit_list_to_dict(plan())) == yaml_bytes(edit_list_to_dict(plan()))


@pytest.mark.parametrize("text", NASTY)
def test_nasty_texts_read_back(text: str, tmp_path: Path) -> None:
    """Texts that a reader might take for something else come back as they are, in both forms."""
    data = edit_list_to_dict(plan(rows=(row(comment=text, word=text, apply_to=(text, "b.wav")),)))
    check_edit_lists(both(data, tmp_path), data)


texts = st.text(max_size=20)
names = st.text(min_size=1, max_size=12)
cents = st.floats(-1200, 1200)
seconds = st.floats(0, 1e5)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30, deadline=None
)
@given(
    st.builds(
        row, id=names, stem=names, word=texts, comment=texts, reason=texts, by=texts,
        intended=texts, rule_name=texts, start_s=st.none() | seconds,
        start_smp=st.integers(0, 2**63),
        add_cents=st.none() | cents, apply_to=st.lists(names).map(tuple),
        covers=st.lists(names).map(tuple), locked=st.booleans(),
        points=st.lists(st.tuples(seconds, cents)).map(tuple),
        layers=st.lists(st.tuples(names, cents)).map(tuple),
    )
)  # fmt: skip
def test_any_row_reads_back(tmp_path: Path, any_row: Row) -> None:
    """Whatever a row holds, both files read back as the same rounded row."""
    data = edit_list_to_dict(plan(rows=(any_row,)))
    (tmp_path / YAML_NAME).write_bytes(yaml_bytes(data))
    (tmp_path / CSV_NAME).write_bytes(edit_list_csv_bytes(data))
    check_edit_lists(tmp_path, data)


def test_csv_opens_with_a_mark_unless_told_otherwise() -> None:
    """The CSV begins with EF BB BF by default, and without on request."""
    data = edit_list_to_dict(plan())
    assert edit_list_csv_bytes(data)[:3] == b"\xef\xbb\xbf"
    assert edit_list_csv_bytes(data, bom=False)[:3] == b"id,"


def test_semicolon_form_reads_back(tmp_path: Path) -> None:
    """The form with semicolons carries the same rows."""
    data = edit_list_to_dict(plan())
    text = edit_list_csv_bytes(data, delimiter=";", bom=False)
    (tmp_path / CSV_NAME).write_bytes(text)
    assert read_edit_list_csv(tmp_path / CSV_NAME).rows == rows_of(data)


def test_csv_says_the_sign_rule_and_session_a4_on_every_row() -> None:
    """Each record of the CSV says by itself which A4 and which sign rule it speaks of."""
    text = edit_list_csv_bytes(edit_list_to_dict(plan())).decode("utf-8-sig")
    found = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(found) == 4
    for record in found:
        assert record["session_a4_hz"] == "441.0"
        assert "plus is sharp" in record["sign_rule"]


def test_numbers_below_nought_stay_numbers_in_csv() -> None:
    """Negative cents carry no apostrophe, and the sentence beside them carries no sign."""
    text = edit_list_csv_bytes(edit_list_to_dict(plan())).decode("utf-8-sig")
    found = list(csv.DictReader(io.StringIO(text, newline="")))[1]
    assert found["sustain_cents"] == "-21.1"
    assert found["in_words"] == "raise by 16, give or take 2"


def test_list_without_rows_keeps_its_promise(tmp_path: Path) -> None:
    """A plan with nothing to do is written and checked too."""
    data = edit_list_to_dict(plan(rows=()))
    folder = both(data, tmp_path)
    check_edit_lists(folder, data)
    with pytest.raises(PlannerError, match=r"has no rows.* Read edit_list\.yaml beside it\."):
        read_edit_list_csv(folder / CSV_NAME)


@pytest.mark.parametrize("name", [YAML_NAME, CSV_NAME])
def test_changed_number_breaks_the_promise(name: str, tmp_path: Path) -> None:
    """A written list in which one figure differs is told with its row and field."""
    data = edit_list_to_dict(plan())
    folder = both(data, tmp_path)
    path = folder / name
    path.write_bytes(path.read_bytes().replace(b"16.0", b"17.0"))
    with pytest.raises(PromiseError, match=f"{name}.*reads back unequal: add_cents of row LV-0147"):
        check_edit_lists(folder, data)


def test_changed_header_and_lost_row_break_the_promise(tmp_path: Path) -> None:
    """Another session A4, or a row that is gone, is told as such."""
    data = edit_list_to_dict(plan())
    folder = both({**data, "session_a4_hz": 440.0}, tmp_path)
    with pytest.raises(PromiseError, match="session_a4_hz of the header"):
        check_edit_lists(folder, data)
    folder = both({**data, "rows": data["rows"][:-1]}, tmp_path)
    with pytest.raises(PromiseError, match="3 rows instead of 4"):
        check_edit_lists(folder, data)


def test_unreadable_list_breaks_the_promise(tmp_path: Path) -> None:
    """A written list that is cut off is told as one that cannot be read back."""
    data = edit_list_to_dict(plan())
    folder = both(data, tmp_path)
    path = folder / YAML_NAME
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(PromiseError, match=r"cannot be read back"):
        check_edit_lists(folder, data)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"edit_list.yaml: the file is empty\."),
        (b"\xff\xfe", r"is no UTF-8 text \(byte 0\)\. Save it as UTF-8\."),
        (b"a: 1\na: 2\n", r"edit_list.yaml:2: a: the key 'a' stands twice"),
        (b"rows: [\n", r"edit_list.yaml"),
        (b"- x\n", r"this should be a mapping, not a list"),
    ],
)
def test_bad_yaml_is_told(content: bytes, message: str, tmp_path: Path) -> None:
    """A file that is no edit list in YAML is refused in words, with its line."""
    (tmp_path / YAML_NAME).write_bytes(content)
    with pytest.raises(PlannerError, match=message):
        read_edit_list_yaml(tmp_path / YAML_NAME)


def test_bad_field_in_yaml_is_told_with_its_line(tmp_path: Path) -> None:
    """A number that became a text is named by file, line and dotted path."""
    text = yaml_bytes(edit_list_to_dict(plan())).decode()
    line = text[: text.index("add_cents: 4.3")].count("\n") + 1
    (tmp_path / YAML_NAME).write_text(text.replace("add_cents: 4.3", 'add_cents: "4,3"', 1))
    message = re.escape(f"edit_list.yaml:{line}: rows[0].add_cents: this should be a number")
    with pytest.raises(PlannerError, match=message):
        read_edit_list_yaml(tmp_path / YAML_NAME)


def test_missing_file_is_told(tmp_path: Path) -> None:
    """A list that is not there is told by name."""
    with pytest.raises(PlannerError, match=r"edit_list\.csv: cannot be read: No such file"):
        read_edit_list_csv(tmp_path / CSV_NAME)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "-21.1",
            "low",
            r":3: sustain_cents: 'low' does not read as a number with a decimal point",
        ),
        ("4069565", "4e6", r":3: start_smp: '4e6' does not read as a whole number"),
        (",yes,", ",maybe,", r":4: locked: 'maybe' does not read as yes or no"),
        ("0.0:0.0;", "0.0;", r":4: points: .* does not read as points, seconds:cents"),
        ("R-001 4.3;", "R-001;", r":4: layers: .* does not read as layers, rule cents"),
        ("held and off,", "held and off", r":2: has 70 cells, but the first line names 71 columns"),
        ("add_cents", "id", r":1: has the column 'id' twice"),
        ("add_cents", "add_cent", r"rows\[0\].add_cent: unknown key. Did you mean 'add_cents'"),
        (",tide,", ',"tide,', r"is no CSV: .* Look for a quote that does not close"),
    ],
)
def test_bad_csv_is_told(old: str, new: str, message: str, tmp_path: Path) -> None:
    """A cell that does not fit is named by file, line and column."""
    text = edit_list_csv_bytes(edit_list_to_dict(plan())).decode()
    if new.startswith("add") or new == "id":
        changed = text.replace(f",{old},", f",{new},", 1)
    else:
        changed = text.replace(old, new, 1)
    assert changed != text
    (tmp_path / CSV_NAME).write_bytes(changed.encode())
    with pytest.raises(PlannerError, match=message):
        read_edit_list_csv(tmp_path / CSV_NAME)


def test_rows_of_two_lists_are_told(tmp_path: Path) -> None:
    """Rows pasted together from lists of two songs are refused."""
    text = edit_list_csv_bytes(edit_list_to_dict(plan())).decode()
    head, sep, tail = text.rpartition("Low Tide Ledger")
    (tmp_path / CSV_NAME).write_bytes((head + "Other Song" + tail).encode())
    assert sep
    with pytest.raises(PlannerError, match=r"song: is 'Other Song' here .* two edit lists"):
        read_edit_list_csv(tmp_path / CSV_NAME)
