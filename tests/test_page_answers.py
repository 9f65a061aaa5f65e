"""What the review page exports is read as it was written."""

from planner.answer.page_export import is_export, read_export
from planner.answer.reply_words import read_reply


def said(text: str) -> list[tuple[str, str, str]]:
    return [(s.ref, s.answer, s.comment) for s in read_reply(text)[0]]


EXPORT = (
    "planner answers 1\nsong: Low Tide Ledger\nplan: plan_02\nby: producer\n"
    "LV-0147 no \tlove that scoop\\nreally \\\\o/\nR-001 yes\nLV-0153\task\n"
    "Q-001 note\tper the score: D\n"
)


def test_the_pages_export() -> None:
    """Header, row ids, and comments with their line breaks; lines that do not fit say where."""
    assert is_export(EXPORT)
    found = read_export(EXPORT + "what now\n")
    assert (found.song, found.plan, found.by) == ("Low Tide Ledger", "plan_02", "producer")
    assert [(s.ref, s.answer, s.comment) for s in found.said] == [
        ("LV-0147", "no", "love that scoop\nreally \\o/"),
        ("R-001", "yes", ""),
        ("LV-0153", "ask", ""),
        ("Q-001", "note", "per the score: D"),
    ]
    assert [u.why.split(" is no ")[0] for u in found.unclear] == ["line 9"]
    assert not is_export("12 yes")


def test_an_export_saved_by_another_machine_reads_the_same() -> None:
    """A byte order mark and CR LF line ends change nothing."""
    assert read_export("\ufeff" + EXPORT.replace("\n", "\r\n")) == read_export(EXPORT)
    assert is_export("\ufeff" + EXPORT.replace("\n", "\r\n"))


def test_a_role_in_the_pages_export() -> None:
    """Its own word goes before it; a word that is no role is told with its line."""
    export = read_export(
        "planner answers 1\nsong: X\nQ-004 role bass-fretless\tthey play\nQ-005 role bass\n"
    )
    assert [(s.ref, s.role, s.comment) for s in export.said] == [
        ("Q-004", "bass-fretless", "they play")
    ]
    why = "line 4 is no '<row id> yes, no, ask, half, note, meant <note>, role <role> or bars "
    assert export.unclear[0].why.startswith(why)
