"""Words or a file of words; what is no text is told."""

from pathlib import Path

import pytest

from planner.errors import PlannerError
from planner.files.answers_file import page_says, read_given


def test_words_or_the_file_they_name(tmp_path: Path) -> None:
    """Words are taken as they are; a path is read, with or without byte order mark."""
    assert read_given("12 yes, 14 no") == ("12 yes, 14 no", None)
    assert read_given("12 yes " * 400)[1] is None
    assert read_given("12 yes\x00")[1] is None
    path = tmp_path / "reply.txt"
    path.write_bytes(b"\xef\xbb\xbf12 yes")
    assert read_given(str(path)) == ("12 yes", path)
    sheet = tmp_path / "list.CSV"
    sheet.write_bytes(b"id")
    assert read_given(str(sheet)) == ("", sheet)


def test_faults_are_told(tmp_path: Path) -> None:
    """A file that is not there, one that is no text, one that cannot be read."""
    with pytest.raises(PlannerError, match=r"there is no such file\. Give a file, or the reply"):
        read_given(str(tmp_path / "answers.txt"))
    (tmp_path / "answers.txt").write_bytes(b"\xff")
    with pytest.raises(PlannerError, match="is no UTF-8 text"):
        read_given(str(tmp_path / "answers.txt"))


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk's reason is told in words."""
    path = tmp_path / "answers.txt"
    path.write_text("12 yes")

    def denied(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", denied)
    with pytest.raises(PlannerError, match="cannot be read: Permission denied"):
        read_given(str(path))


def test_a_mark_in_the_page(tmp_path: Path) -> None:
    """A plan is known by a mark that stands in its page."""
    assert not page_says(tmp_path, "a1b2")
    (tmp_path / "review.html").write_text("<p>a1b2</p>")
    assert page_says(tmp_path, "a1b2")
    assert not page_says(tmp_path, "a1b3")
