"""A room that warms while a band plays: winds creep up and strings creep down, all together.

Sound travels faster in warm air, so a wind instrument rises by about 3 cents a degree (speed of
sound 331.3 sqrt(1 + t/273.15) m/s: 3.0 cents from 20 to 21 C); strings grow longer and fall. It is
told, and nothing is planned for it: another tuning between takes costs less than any edit.
"""

from collections.abc import Mapping

import numpy as np

from planner.model import Finding, Role
from planner.targets import Aimed
from planner.words.spread import spread_of
from planner.words.wording import amount

_WINDS: frozenset[str] = frozenset({"woodwind", "brass"})
_STRINGS: frozenset[str] = frozenset(
    {"fretted", "fretted-chords", "bass-fretted", "bass-fretless", "bowed", "bowed-group"}
)
_NOTES = 12  # chosen: as many as either side of a tuning break
_CREEP_CENTS = 3.0  # chosen: over the song; a degree for winds, and less than this is not heard
_SURE_ERRORS = 3.0  # chosen: chance makes so sure a slope in 3 of 1000 parts


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
    time, error = np.array(rows, dtype=float).T
    middle = float(np.median(error))
    spread = spread_of(error, middle)
    keep = np.abs(error - middle) <= 3.0 * max(spread, 1.0)
    time, error = time[keep], error[keep]
    x = time - time.mean()
    power = float((x**2).sum())
    if len(x) < _NOTES or power == 0.0:
        return None
    slope = float((x * error).sum()) / power
    left = error - error.mean() - slope * x
    doubt = (float((left**2).sum()) / (len(x) - 2) / power) ** 0.5
    length_s = float(time[-1] - time[0])
    sure = abs(slope) >= _SURE_ERRORS * doubt and round(abs(slope) * length_s, 1) >= _CREEP_CENTS
    return slope * length_s if sure else None
