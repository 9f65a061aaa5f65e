"""Scale files (.scl), an open text format for temperaments: twelve notes to the octave.

Lines that begin with "!" are comments. The first line is a description (it may be empty), the
second says how many notes follow, then comes one note a line: with a point in it, cents above the
first note; without, a ratio such as 3/2. The first note, 1/1, is not listed; the last is the
period, which has to be an octave here. What stands behind a note is a remark. Source: the format's
own description at the Huygens-Fokker foundation; from memory, and checked against the files of the
Scala archive that music21 carries (tests/read/test_scale_file.py).
"""

import math
import re

from planner.errors import SessionError
from planner.temperament import PITCH_CLASSES, table_cents

_OCTAVE_CENTS = 1200.0
# Chosen: files print three decimals at least; an octave that is a tenth of a cent off is meant so.
_OCTAVE_WITHIN_CENTS = 0.1
_MAX_DIGITS = 40  # chosen: more than any ratio that was ever written down
_CENTS = re.compile(r"-?[0-9]*\.[0-9]*")
_RATIO = re.compile(r"([0-9]+)(?:/([0-9]+))?")


def scale_offsets(text: str, *, file: str, root: str = "C") -> tuple[float, ...]:
    """Read a scale of twelve notes as offsets from equal temperament, with A at 0.

    text: what the file holds.
    file: its name, for the messages.
    root: the note that the file's first one, 1/1, is; one of `temperament.PITCH_CLASSES`.

    Returns twelve offsets in cents, C first.

    Raises SessionError with the file and the line, if it is no such file, has not twelve notes, or
    no octave.
    """
    rows = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), start=1)
        if not line.startswith("!")
    ]
    if len(rows) < 2:
        what = "this is no scale file: it ends before the number of notes."
        hint = "A scale file has a description, the number of notes, and a note a line."
        raise SessionError(what, file=file, hint=hint)
    notes = _notes(rows, file)
    last_line, last = notes[-1]
    if abs(last - _OCTAVE_CENTS) > _OCTAVE_WITHIN_CENTS:
        what = f"the last note is {last:.3f} cents, not the octave, 1200 (2/1)."
        hint = "Only scales that come round at the octave can be used here."
        raise SessionError(what, file=file, line=last_line, hint=hint)
    above = [0.0, *(cents for _, cents in notes[:-1])]
    off = [cents - 100.0 * step for step, cents in enumerate(above)]
    for (line, _), step in zip(notes, range(1, 12), strict=False):
        if abs(off[step]) > 100.0:
            raise SessionError(
                f"note {step + 1} is {above[step]:.1f} cents above the first, more than a "
                f"semitone from {100 * step}.",
                file=file,
                line=line,
                hint="The twelve notes must rise about a semitone at a time.",
            )
    at = PITCH_CLASSES.index(root)
    # Degree k of the file is the k-th semitone above the root.
    from_c = [off[(step - at) % 12] for step in range(12)]
    middle = from_c[PITCH_CLASSES.index("A")]
    return tuple(round(cents, 9) + 0.0 for cents in table_cents([c - middle for c in from_c]))


def _notes(rows: list[tuple[int, str]], file: str) -> list[tuple[int, float]]:
    """The notes with their lines, in cents above the first."""
    line, said = rows[1]
    first = said.split()[0] if said else ""
    if not (first.isdecimal() and first.isascii() and len(first) < 9):
        what = f"{first!r} is no number of notes."
        hint = "It stands on the second line that is no comment, and is 12 here."
        raise SessionError(what, file=file, line=line, hint=hint)
    wanted = int(first)
    if wanted != 12:
        what = f"this scale has {wanted} notes; a temperament here has 12 to the octave."
        raise SessionError(what, file=file, line=line)
    given = [(number, text) for number, text in rows[2:] if text][:wanted]
    if len(given) < wanted:
        what = f"{wanted} notes are announced, and {len(given)} are there."
        hint = "The last one is the octave, 2/1."
        raise SessionError(what, file=file, line=line, hint=hint)
    return [(number, _cents(text, file, number)) for number, text in given]


def _cents(text: str, file: str, line: int) -> float:
    word = text.split()[0]
    ratio = _RATIO.fullmatch(word)
    if ratio is not None and len(word) <= _MAX_DIGITS:
        above, below = int(ratio[1]), int(ratio[2] or 1)
        if above and below:
            return 1200.0 * math.log2(above / below)
    elif len(word) <= _MAX_DIGITS and _CENTS.fullmatch(word) and any(c.isdigit() for c in word):
        return float(word)
    what = f"{word!r} is no note."
    hint = "Write cents with a point (701.955) or a ratio (3/2)."
    raise SessionError(what, file=file, line=line, hint=hint)
