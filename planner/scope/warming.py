"""A room that warms while a band plays: winds creep up and strings creep down, all together.

Sound travels faster in warm air, so a wind instrument rises by about 3 cents a degree (speed of
sound 331.3 sqrt(1 + t/273.15) m/s: 3.0 cents from 20 to 21 C); strings grow longer and fall. It is
told, and nothing is planned for it: another tuning between takes costs less than any edit.
"""

from collections.abc import Mapping

import numpy as np

from planner.model import Finding, Role
from planner.scope.creeps import creep_cents
from planner.targets import Aimed
from planner.words.wording import amount

_WINDS: frozenset[str] = frozenset({"woodwind", "brass"})
_STRINGS: frozenset[str] = frozenset(
    {"fretted", "fretted-chords", "bass-fretted", "bass-fretless", "bowed", "bowed-group"}
)
_NOTES = 12  # chosen: as many as either side of a tuning break
_CREEP_CENTS = 3.0  # chosen: over the song; a degree for winds, and less than this is not heard


def warming(parts: Mapping[str, tuple[Role, tuple[Aimed, ...]]]) -> tuple[Finding, ...]:
    """Say that the room seems to have warmed, where winds rise and strings fall over the song.

    parts : stem code -> its role and its notes in play order
    """
    creep = {
        code: _creep_cents(aimed)
        for code, (role, aimed) in parts.items()
        if role in _WINDS | _STRINGS
    }
    moved = {code: cents for code, cents in creep.items() if cents}
    as_in_warmth = {c: (cents > 0) == (parts[c][0] in _WINDS) for c, cents in moved.items()}
    up = [code for code in moved if parts[code][0] in _WINDS]
    down = [code for code in moved if parts[code][0] in _STRINGS]
    if not up or not down or not all(as_in_warmth.values()):
        return ()
    steady = sorted(code for code in creep if code not in moved)
    alone = f"; {', '.join(steady)} {'does' if len(steady) == 1 else 'do'} not" if steady else ""

    def said(codes: list[str]) -> str:
        return ", ".join(f"{c} by {amount(moved[c])}" for c in sorted(codes))

    return (
        Finding(
            severity="note",
            what=f"Winds creep up over the song ({said(up)}) and strings down ({said(down)}), "
            f"as they do while a room warms{alone}; lips that tire and strings that give do the "
            "same.",
            did="Nothing is planned for it.",
            advice="Tune again between takes.",
        ),
    )


def _creep_cents(aimed: tuple[Aimed, ...]) -> float | None:
    """How far the errors of a part move from its first note to its last; None where not sure."""
    rows = [(a.measured.note.start_s, a.heard_cents) for a in aimed if a.heard_cents is not None]
    if len(rows) < _NOTES:
        return None
    time_s, error = np.array(rows, dtype=float).T
    creep = creep_cents(time_s, error, _NOTES)
    return creep if creep is not None and round(abs(creep), 1) >= _CREEP_CENTS else None
