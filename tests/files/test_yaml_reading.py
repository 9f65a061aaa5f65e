"""Reading YAML: the 1.2 core schema, lines, and faults told in words."""

import math
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import SessionError
from planner.files.yaml_reading import core_value, parse_yaml, read_yaml


def said(text: str) -> str:
    with pytest.raises(SessionError) as caught:
        parse_yaml(text, file="s.yaml")
    return str(caught.value)


# YAML 1.2.2, section 10.3.2 "Tag Resolution" of the core schema and example 10.3 beside it.
@pytest.mark.outside
@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("null", None), ("Null", None), ("NULL", None), ("~", None), ("", None),
        ("true", True), ("True", True), ("TRUE", True),
        ("false", False), ("False", False), ("FALSE", False),
        ("0", 0), ("-19", -19), ("+12", 12), ("010", 10), ("0o7", 7), ("0x3A", 58),
        ("0.", 0.0), ("-0.0", 0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
        ("1e3", 1000.0), ("12.5", 12.5),
        (".inf", math.inf), ("-.Inf", -math.inf), ("+.INF", math.inf),
    ],
)  # fmt: skip
def test_plain_scalars_follow_the_core_schema(written, meant):
    """A plain scalar means what section 10.3.2 says, with the type it says."""
    got = core_value(written)
    assert got == meant
    assert type(got) is type(meant)


@pytest.mark.outside
@pytest.mark.parametrize("written", [".nan", ".NaN", ".NAN"])
def test_not_a_number_follows_the_core_schema(written):
    """The three spellings of not-a-number are read as such (section 10.3.2)."""
    got = core_value(written)
    assert isinstance(got, float)
    assert math.isnan(got)


@pytest.mark.parametrize(
    "written",
    ["NO", "no", "Yes", "on", "off", "y", "1:30", "12:30:45", "190:20:30", "00:01:00:02",
     "00:01:00;02", "2026-11-25", "1_000", "-0o7", "-0x3A", "0b101", "nUll", "tRUE", "1e", "e3",
     ".", "+", "C#4", "Bb", "4/4", "NaN", "inf", "１２", "<<", "="],
)  # fmt: skip
def test_everything_else_stays_text(written):
    """What the core schema does not name is text, whatever YAML 1.1 made of it."""
    assert core_value(written) == written
    assert parse_yaml(f"k: {written}\n", file="s.yaml")[0] == {"k": written}


@pytest.mark.outside
def test_traps_are_live_in_the_plain_loader():
    """The loader that everybody uses falls into these traps, so this reader is needed."""
    loaded = yaml.safe_load("{a: NO, b: 1:30, c: 010, d: 12:30:45}")
    assert loaded == {"a": False, "b": 90, "c": 8, "d": 45045}
    ours, _ = parse_yaml("{a: NO, b: 1:30, c: 010, d: 12:30:45}", file="s.yaml")
    assert ours == {"a": "NO", "b": "1:30", "c": 10, "d": "12:30:45"}


@pytest.mark.parametrize("quoted", ['"010"', "'010'"])
def test_quotes_keep_text(quoted):
    """A quoted scalar is text even if it looks like a number."""
    assert parse_yaml(f"k: {quoted}", file="s.yaml")[0] == {"k": "010"}


def test_block_text_stays_text():
    """A folded or literal block is text even if it looks like a number."""
    assert parse_yaml("k: |\n  12\n", file="s.yaml")[0] == {"k": "12\n"}


def test_keys_are_kept_as_written():
    """A key such as NO, on or 12 is the text that was written."""
    assert parse_yaml("{NO: 1, on: 2, 12: 3, true: 4}", file="s.yaml")[0] == {
        "NO": 1, "on": 2, "12": 3, "true": 4,
    }  # fmt: skip


def test_every_path_has_its_line():
    """Entries of mappings have the line of their key, entries of lists their own."""
    text = "# a comment\nversion: 1\nstems:\n  - code: A\n    role: bowed\n"
    text += "  - {code: B,\n     x: [1,\n  2]}\n"
    _, lines = parse_yaml(text, file="s.yaml")
    assert lines == {
        "": 2, "version": 2, "stems": 3, "stems[0]": 4, "stems[0].code": 4, "stems[0].role": 5,
        "stems[1]": 6, "stems[1].code": 6, "stems[1].x": 7, "stems[1].x[0]": 7, "stems[1].x[1]": 8,
    }  # fmt: skip


def test_windows_line_ends_count_once():
    """A file with CRLF line ends has the same lines."""
    assert parse_yaml("a: 1\r\nb: 2\r\n", file="s.yaml")[1]["b"] == 2


def test_aliases_are_followed():
    """An anchor used again gives the same value in both places."""
    data, lines = parse_yaml("a: &x [1, 2]\nb: *x\n", file="s.yaml")
    assert data == {"a": [1, 2], "b": [1, 2]}
    assert lines["b"] == 2


@given(
    st.recursive(
        st.none()
        | st.booleans()
        | st.integers()
        | st.floats(allow_nan=False)
        | st.text(st.characters(exclude_categories=("Cs", "Cc"))),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(
                st.text(st.characters(categories=("L",)), min_size=1), inner, max_size=4
            )
        ),
        max_leaves=12,
    )
)
def test_what_another_writer_wrote_is_read_back(data):
    """A document dumped by PyYAML means the same here, but for texts that 1.1 would quote."""
    text = yaml.safe_dump(_marked({"k": data}), allow_unicode=True, width=10**9)
    assert _unmarked(parse_yaml(text, file="s.yaml")[0]) == {"k": data}


def _marked(data: object) -> object:
    """Put a letter before every text, so that the dumper's own quoting rules do not matter."""
    if isinstance(data, str):
        return "t" + data
    if isinstance(data, list):
        return [_marked(item) for item in data]
    if isinstance(data, dict):
        return {"k" + key: _marked(item) for key, item in data.items()}
    return data


def _unmarked(data: object) -> object:
    if isinstance(data, str):
        return data[1:]
    if isinstance(data, list):
        return [_unmarked(item) for item in data]
    if isinstance(data, dict):
        return {key[1:]: _unmarked(item) for key, item in data.items()}
    return data


def test_duplicate_keys_name_both_lines():
    """A key that stands twice is an error with both lines, not a silent winner."""
    assert said("song: A\nrate: 1\nsong: B\n") == (
        "s.yaml:3: song: the key 'song' stands twice, in line 1 and in line 3. "
        "Delete one of the two."
    )
    assert "stems[0].code: the key 'code' stands twice" in said("stems:\n- code: A\n  code: B\n")


@pytest.mark.parametrize(
    ("text", "line", "instead"),
    [
        ("k: A #4\n", 1, '"A#4"'),
        ("k: 1\nlow: C #-1 # low\n", 2, '"C#-1"'),
        ("x: [E2,\n C #4\n ]\n", 2, '"C#4"'),
    ],
)
def test_a_note_cut_in_two_by_a_comment(text, line, instead):
    """A letter with ' #4' behind it is told as a note name that lost its end."""
    message = said(text)
    assert message.startswith(f"s.yaml:{line}: ")
    assert "a note name cut in two" in message
    assert f"Write {instead}, or put a space after #" in message


@pytest.mark.parametrize("text", ["k: A # 4\n", "k: A #guess\n", "k: AB #4\n", 'k: "A" #4\n'])
def test_other_comments_are_comments(text):
    """A comment that does not look like the end of a note is left alone."""
    data, _ = parse_yaml(text, file="s.yaml")
    assert isinstance(data, dict)
    assert data["k"] in {"A", "AB"}


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a: 1\n\tb: 2\n", 2, "a tab where YAML allows only spaces. Replace the tabs"),
        ("stems:\n\t- 1\n", 2, "a tab where YAML allows only spaces."),
        ("song: A: B\n", 1, "a second ': ' in one value"),
        ("a: *b\n", 1, "a value begins with *, which stands for a name given with &. Put it"),
        ("a: * b\n", 1, "a value begins with *. Put it in quotes."),
        ("a: & b\n", 1, "a value begins with &. Put it in quotes."),
        ('a: "open\n', 1, "opened here and not closed"),
        ('a: "C:\\Users"\n', 1, "or holds a stray \\. Close it in the same line"),
        ("a: [1, 2\nb: 3\n", 2, "a list in [ ] is not closed, or a comma is missing. Note that"),
        ("a: {b: 1\nc: 3\n", 2, "a { } is not closed, or a comma is missing."),
        ("a: 1\nnonsense\nb: 2\n", 3, "a line without ': '. Write `key: value`."),
        ("a: 1\n---\nb: 2\n", 2, "a second document begins here (---). Keep one session a file."),
        ("a:\n- 1\n- 2\n b: 1\n", 4, "line up"),
        ("a:\n  b: 1\n - c\n", 3, "a line does not line up with those above it"),
        ('a: 1\nb: "open\nc: [1, 2]\nd: {e: "f"}\n', 2, "opened here and not closed"),
        ("a: 'it''s\nb: {c: 'd', e: 1}\n", 1, "opened here and not closed"),
        ("a: it's\nb: {c: 1\nd: 2\n", 3, "a { } is not closed"),
        ("a: @x\n", 1, "a value begins with a sign that YAML keeps for itself. Put it in quotes."),
        ("a: !foo 1\n", 1, "a: the tag !foo is not used here. Text that begins with !"),
        ("a: !!set {x}\n", 1, "the tag !!set is not used here."),
        ("a: !!python/name:os.system x\n", 1, "the tag !!python/name:os.system is not used here."),
        ("[a]: 1\n", 1, "a key must be a single word. A value that begins with { or ["),
        ('"": 1\n', 1, "a key is empty."),
        ("a: &x\n  b: *x\n", 2, "a.b: a value contains itself"),
        ("a: " + "9" * 5000 + "\n", 1, "a: the number has too many digits. Text made of digits"),
        ("a: 0x" + "9" * 5000 + "\n", 1, "a: the number has too many digits."),
        ("a: 1\nb: \x07\n", 2, "the character U+0007 may not stand in a YAML file. Delete it"),
        ("%YAML x\n", 1, "this cannot be read as YAML (expected a digit, but found 'x')"),
    ],
)  # fmt: skip
def test_faults_are_told_in_words_with_their_line(text, line, words):
    """Each common slip says what it is, in which line, and what to do."""
    message = said(text)
    assert message.startswith(f"s.yaml:{line}: "), message
    assert words in message


def test_deep_nesting_is_refused():
    """Forty levels are the end, whether the parser or the builder gets there first."""
    words = "values are nested more than 40 deep. A bracket that never closes does this."
    assert words in said("a: " + "[" * 60 + "]" * 60)
    assert words in said("a: " + "[" * 20000 + "]" * 20000)


def test_aliases_cannot_blow_up():
    """The billion-laughs document is refused at once."""
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{i}: &a{i} [{', '.join(f'*a{i - 1}' for _ in range(9))}]" for i in range(1, 10)]
    assert "aliases (*name) repeat too much. Write the values out." in said("\n".join(rows))


@pytest.mark.parametrize("text", ["", "\n\n", "# only a comment\n", "---\n", "~\n"])
def test_an_empty_file_is_told(text):
    """A file without any value says how to get one."""
    words = "The command `planner start` writes one from a folder of stems."
    assert said(text) == f"s.yaml: the file is empty. {words}"


def read_fault(path: Path) -> str:
    with pytest.raises(SessionError) as caught:
        read_yaml(path)
    return str(caught.value)


def test_reads_a_file_with_a_byte_order_mark(tmp_path):
    """UTF-8 with a mark in front and CRLF line ends is read like any other."""
    path = tmp_path / "s.yaml"
    path.write_bytes(b"\xef\xbb\xbfsong: \xc3\xa9t\xc3\xa9\r\nrate: 48000\r\n")
    data, lines = read_yaml(path)
    assert data == {"song": "été", "rate": 48000}
    assert lines["rate"] == 2


def test_wrong_encoding_names_the_line(tmp_path):
    """Latin-1 text is told with the line of the first letter that cannot be read."""
    path = tmp_path / "s.yaml"
    path.write_bytes("a: 1\nsong: été\n".encode("latin-1"))
    assert read_fault(path) == (
        f"{path}:2: the file is not saved as UTF-8. Save it again as UTF-8; "
        "a letter with an accent in this line is the likely one."
    )


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-be"])
def test_utf16_is_told(tmp_path, encoding):
    """UTF-16 is named, or at least told to be no text."""
    path = tmp_path / "s.yaml"
    path.write_bytes("song: A\n".encode(encoding))
    words = "saved as UTF-16. Save it again as UTF-8." if encoding == "utf-16" else "no text file."
    assert words in read_fault(path)


def test_a_stem_instead_of_a_session_is_told(tmp_path):
    """Handing in audio says so at once."""
    path = tmp_path / "piano.wav"
    path.write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt ")
    assert "this is no text file. Give the session file (.yaml), not a stem." in read_fault(path)


def test_a_missing_file_names_the_nearest(tmp_path):
    """A file that is not there is told with the name that was likely meant."""
    (tmp_path / "session.yaml").write_text("a: 1")
    assert "there is no such file. Did you mean session.yaml?" in read_fault(
        tmp_path / "sesion.yaml"
    )
    assert "there is no such file. Did you mean session.yaml?" in read_fault(tmp_path / "q")
    assert f"There is no folder {tmp_path / 'no'} either." in read_fault(tmp_path / "no" / "s.yaml")
    assert "this is a folder. Give the session file (.yaml) in it." in read_fault(tmp_path)


def test_an_unreadable_file_is_told(tmp_path, monkeypatch):
    """What the operating system says is passed on in its words."""
    path = tmp_path / "s.yaml"

    def refuse(*_args: object, **_more: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    assert read_fault(path) == f"{path}: the file cannot be read (Permission denied)."


def test_a_huge_file_is_refused(tmp_path, monkeypatch):
    """A text file longer than any session is not taken in."""
    path = tmp_path / "s.yaml"
    path.write_text("a: 1\n" * 2000)
    monkeypatch.setattr("planner.files.yaml_reading.MAX_BYTES", 5000)
    assert "the file is longer than 0 MB. Is it the session file?" in read_fault(path)
