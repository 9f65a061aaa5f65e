"""The errors a user can cause or meet; each says what is wrong, where, and what to do.

::

    PlannerError           exit code 2 unless said otherwise
    ├── SessionError       the session file: unknown key, wrong value, missing part
    ├── AudioError         a stem cannot be read or used
    ├── ScoreError         a MIDI file that was handed in (tempo map, score) cannot be used
    ├── OutputError        the result cannot be written where it was asked for
    └── PromiseError       exit code 3: an input changed in the run, or a list reads back unlike
"""

from functools import partial
from typing import Any


class PlannerError(Exception):
    """A fault that is told in words, never as a traceback.

    what : what is wrong, one sentence
    file : the file it is in, as the user wrote its name
    line : line in that file, counted from 1
    field : dotted path of the field, for example ``stems[2].role``
    hint : what to do about it, one sentence
    """

    exit_code = 2

    def __init__(
        self,
        what: str,
        *,
        file: str | None = None,
        line: int | None = None,
        field: str | None = None,
        hint: str | None = None,
    ) -> None:
        self.what = what
        self.file = file
        self.line = line
        self.field = field
        self.hint = hint
        super().__init__(what)

    def __str__(self) -> str:
        where = self.file or ""
        if self.line is not None:
            where += f":{self.line}" if where else f"line {self.line}"
        parts = [part for part in (where, self.field, self.what) if part]
        text = ": ".join(parts)
        return f"{text} {self.hint}" if self.hint else text

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword-only arguments do not survive the default pickling between worker processes.
        where: dict[str, Any] = {"file": self.file, "line": self.line, "field": self.field}
        return partial(type(self), self.what, **where, hint=self.hint), ()


def named_in(error: PlannerError, *, file: str, line: int | None, field: str) -> PlannerError:
    """Say of a fault inside a file also where that file was named: file, line and field."""
    inner = error.file or ""
    if error.line is not None:
        inner += f":{error.line}"
    what = ": ".join(part for part in (inner, error.field, error.what) if part)
    return type(error)(what, file=file, line=line, field=field, hint=error.hint)


class SessionError(PlannerError):
    """The session file says something that cannot be used."""


class AudioError(PlannerError):
    """A stem cannot be found, decoded or used."""


class ScoreError(PlannerError):
    """A MIDI file that was handed in cannot be used."""


class OutputError(PlannerError):
    """The result cannot be written where it was asked for."""


class PromiseError(PlannerError):
    """One of the promises checked on every run did not hold."""

    exit_code = 3
