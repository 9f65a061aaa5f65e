"""Texts of a session in Markdown: harmless, on one line, in tables."""

from planner.write.markdown import plain, table


def test_a_text_can_do_nothing_in_markdown() -> None:
    """Marks are escaped, line ends are spaces, no tag begins."""
    assert plain("a *b*\n| `c` [d]") == "a \\*b\\* \\| \\`c\\` \\[d\\]"
    assert plain("<b>&amp;") == "&lt;b>&amp;amp;"


def test_a_table() -> None:
    """A head, a line under it, and the rows."""
    assert table(("a", "b"), [("1", "2")]) == ["| a | b |", "| --- | --- |", "| 1 | 2 |"]
