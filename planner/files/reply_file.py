"""What a person gives to `planner answer`: words, or a file with words or the page's export."""

from __future__ import annotations

from pathlib import Path

from planner.errors import PlannerError

_LONGEST_NAME = 200  # chosen: a reply longer than this is surely no path


def read_given(given: str) -> tuple[str, Path | None]:
    """Give the reply itself, or what is in the file that it names, and that file.

    An edit list (``.csv``) is not read here; its text comes back empty.

    Raises
    ------
    PlannerError
        If it looks like a file that is not there, or the file is no text.
    """
    path = Path(given)
    try:
        is_file = len(given) <= _LONGEST_NAME and path.is_file()
    except (OSError, ValueError):
        is_file = False
    if not is_file:
        if path.suffix.lower() in (".txt", ".csv", ".yaml", ".md") and "\n" not in given:
            what = "there is no such file."
            hint = "Give a file, or the reply itself in quotes."
            raise PlannerError(what, file=given, hint=hint)
        return given, None
    if path.suffix.lower() == ".csv":
        return "", path
    try:
        return path.read_bytes().decode("utf-8-sig"), path
    except OSError as error:
        what = f"cannot be read: {error.strerror or error}."
        raise PlannerError(what, file=path.name) from None
    except UnicodeDecodeError:
        raise PlannerError("is no UTF-8 text.", file=path.name, hint="Save it as UTF-8.") from None


def page_says(folder: Path, mark: str) -> bool:
    """Whether the review page of a plan folder carries this mark."""
    page = folder / "review.html"
    return page.is_file() and mark.encode("utf-8") in page.read_bytes()
