"""What can be answered to a question: which notes or roles are offered, and what a yes says."""

import math
from collections.abc import Container, Iterable

from planner.answer.answers import Ruling, Rulings
from planner.model import Finding, Role
from planner.pitch import MIXED_NAMES, NoteNames, note_name, parse_note
from planner.words.plan_model import MOVING_ACTIONS, Row

# Rows of the decision table that ask which note was meant.
_WHICH_NOTE = frozenset(
    {"between two notes", "wrong note", "leans to the chord", "leans to the key"}
)
# Ask whether a note is as far off as it can be read: a yes moves it to its note.
_AS_READ = frozenset({"cannot tell", "off and moving", "moving throughout"})
# Questions about the role of a stem, and the roles that what was heard speaks for.
ROLE_QUESTIONS: dict[str, tuple[Role, ...]] = {
    "role of a low part": ("fretted", "bowed", "woodwind", "brass", "lead-voice"),
    "role of moving keys": ("fretted-chords", "bowed-group", "voice-harmony"),
    "role of several at once": ("fretted-chords", "fixed-pitch", "bowed-group"),
    "role of one at a time": ("fretted",),
    "role of a click": ("exclude",),
}
# Asked of a line of which another role is no answer: a yes says that it is so, a no that it is not.
SEVERAL_NOTES = "several notes at once"
# A yes says that the part was played so, and is planned; until then it waits, as it may be other
# notes, or a file at a wrong rate.
FAR_OFF = "far off as a whole"
_LETTER_ALONE_MIDI = 12  # an octave: a name without its number is the nearest one to what sounds


def asks_which_note(row: Row) -> bool:
    """Whether a row asks which note was meant."""
    return row.kind == "question" and row.rule_name in _WHICH_NOTE


def asks_as_read(row: Row) -> bool:
    """Whether a row asks whether its note is as far off as it can be read."""
    return row.kind == "question" and row.rule_name in _AS_READ


def asks_role(row: Row) -> bool:
    """Whether a row asks what role a stem has."""
    return row.kind == "question" and row.rule_name in ROLE_QUESTIONS


def asks_several(row: Row) -> bool:
    """Whether a row asks whether several notes sound at once in a stem."""
    return row.kind == "question" and row.rule_name == SEVERAL_NOTES


def asks_far_off(row: Row) -> bool:
    """Whether a row asks whether a part was played as far off as it sounds."""
    return row.kind == "question" and row.rule_name == FAR_OFF


def waiting(findings: Iterable[Finding], before: Iterable[Row], rulings: Rulings) -> frozenset[str]:
    """Give the stems for which nothing is planned before somebody says that they were played so.

    before: rows of the last plan.
    """
    asked = {found.stem for found in findings if found.stem and found.asks == FAR_OFF}
    answered = {row.stem for row in before if asks_far_off(row) and _is_yes(rulings.get(row.id))}
    return frozenset(asked - answered)


def _is_yes(ruling: Ruling | None) -> bool:
    return ruling is not None and ruling.state == "approved"


def is_open_question(row: Row) -> bool:
    """Say whether a row is a question that nobody has answered yet."""
    return row.kind == "question" and row.state in ("new", "parked", "reopened")


def role_rows(findings: Iterable[Finding], answered: Container[str]) -> tuple[Row, ...]:
    """Make questions to answer of what was noticed about stems, one a stem; ids come later.

    answered: codes of the stems whose role somebody has said already.
    """
    rows: dict[str, Row] = {}
    for found in findings:
        asks_role = found.asks in ROLE_QUESTIONS and found.stem not in answered
        if found.stem and (asks_role or found.asks in (SEVERAL_NOTES, FAR_OFF)):
            row = Row(
                id="Q-000", kind="question", stem=found.stem, apply_to=(), action="ask",
                rule_name=found.asks, reason=f"{found.what} {found.did}".strip(),
            )  # fmt: skip
            rows.setdefault(found.stem, row)
    return tuple(rows.values())


def sounding_midi(row: Row) -> float | None:
    """Give the pitch that a note row sounds at, as a MIDI number with its fraction."""
    if row.intended_midi is None:
        return None
    return row.intended_midi + (row.heard_cents or row.sustain_cents or 0.0) / 100.0


def notes_offered(row: Row) -> tuple[int, ...]:
    """Give the MIDI notes that a question leaves the choice of, lower first; none elsewhere.

    The two notes around what sounds, and the score's where it is neither of them.
    """
    at = sounding_midi(row)
    if at is None or row.intended_midi is None or not asks_which_note(row):
        return ()
    below = math.floor(at)
    return tuple(sorted({below, below + 1, row.intended_midi}))


def meant_midi(name: str, row: Row) -> int | None:
    """Read the note that somebody says was meant; without an octave, the nearest to what sounds.

    None where the text is no note, or the row is no single note.
    """
    at = sounding_midi(row)
    if at is None or row.kind not in ("note", "question") or len(row.covers) != 1:
        return None
    try:
        if name[-1:].isdigit():
            return parse_note(name)
        low = parse_note(f"{name}0")
    except ValueError:
        return None
    return low + _LETTER_ALONE_MIDI * round((at - low) / _LETTER_ALONE_MIDI)


def why_no_yes(row: Row, names: NoteNames = MIXED_NAMES) -> str:
    """Say why a yes says nothing to a question, and what to type instead; empty where it does."""
    if row.kind != "question" or row.rule_name not in _WHICH_NOTE:
        return ""
    return f"a yes does not answer {row.id}: type {words_to_type(row, names)}"


def why_no_no(row: Row) -> str:
    """Say why a no says nothing to a question about a role; empty where it does."""
    if not asks_role(row):
        return ""
    return f"a no does not say which role {row.stem} has: type {words_to_type(row)}"


def words_to_type(row: Row, names: NoteNames = MIXED_NAMES) -> str:
    """Say what answers a row, in the words of a reply."""
    if row.kind != "question":
        half = f", {row.id} half" if row.action in MOVING_ACTIONS else ""
        bars = (
            f", {row.id} from bar {row.start_bar}" if row.kind == "rule" and row.start_bar else ""
        )
        return f"{row.id} yes{half}{bars}, {row.id} no (leave it) or {row.id} ask"
    if asks_role(row):
        roles = ", ".join(f"{row.id} {role}" for role in ROLE_QUESTIONS[row.rule_name])
        return f"{roles} (any role), {row.id} yes (it is right) or {row.id} ask"
    if asks_several(row):
        two = f"{row.id} yes (several notes at once), {row.id} no (one at a time)"
        return f"{two} or {row.id} ask"
    if asks_far_off(row):
        return f"{row.id} yes (it was played so), {row.id} no ({row.stem} waits) or {row.id} ask"
    said = [f"{row.id} {note_name(midi, names)}" for midi in notes_offered(row)]
    if row.rule_name not in _WHICH_NOTE:
        said.append(f"{row.id} yes")
    said.append(f"{row.id} no (leave it)")
    return f"{', '.join(said)} or {row.id} ask"
