"""Texts of a session in Markdown: kept on one line and harmless, and laid out as tables."""

import re
from collections.abc import Sequence


def plain(text: str) -> str:
    """Keep a text of the session on one line and free of Markdown and HTML."""
    one_line = " ".join(text.split())
    return re.sub(r"([\\|`*\[\]])", r"\\\1", one_line).replace("&", "&amp;").replace("<", "&lt;")


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Lay out a Markdown table."""
    lines = [head, ("---",) * len(head), *rows]
    return ["| " + " | ".join(cells) + " |" for cells in lines]
