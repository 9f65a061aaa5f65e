"""Notes whose pitch the ear hears differently when they are loud: said as advice, never an edit."""

import math

from planner.pitch import note_name
from planner.words.plan_model import Judged, Plan
from planner.words.spelling import names_at
from planner.words.wording import amount, count

# Two listening levels to compare, dB SPL: chosen, a quiet room and a loud one.
QUIET_DB, LOUD_DB = 65.0, 85.0
_NEARLY_PURE_DB = -20.0  # chosen: a hundredth of the power lies above the first partial
_TOLD_CENTS = 4.0  # chosen: less is under what tolerances are made of


def level_shift_cents(hz: float, level_db: float) -> float:
    """Say how far a lone pure tone is heard from its pitch at 60 dB SPL, in cents.

    ``v = 2e-4 (L - 60) (f - 2)``, f in kHz, L in dB SPL, v relative: the level term of Terhardt,
    Stoll and Seewann (JASA 71, 1982, 679). Loud low tones are heard lower, loud high ones higher.
    It is an average: listeners differ, and rich tones hardly move (Terhardt, Acustica 33, 1975).
    """
    return 1200.0 * math.log2(1.0 + 2e-4 * (level_db - 60.0) * (hz / 1000.0 - 2.0))


def moves_with_level_cents(judged: Judged) -> float | None:
    """Say how far a nearly pure note moves for the ear from quiet to loud listening, in cents.

    None where the note is rich in partials, or its partials could not be measured.
    """
    m = judged.measured.measurement
    if m.heard_hz is None or m.upper_partials_db is None or m.upper_partials_db > _NEARLY_PURE_DB:
        return None
    return level_shift_cents(m.heard_hz, LOUD_DB) - level_shift_cents(m.heard_hz, QUIET_DB)


def level_lines(plan: Plan) -> list[str]:
    """One sentence for each stem with nearly pure notes that the listening level bends."""
    lines = []
    names = names_at(plan.keys, None)
    for code in dict.fromkeys(j.measured.note.stem for j in plan.judged):
        moved = [
            (shift, j)
            for j in plan.judged
            if j.measured.note.stem == code
            and (shift := moves_with_level_cents(j)) is not None
            and abs(shift) >= _TOLD_CENTS
        ]
        if not moved:
            continue
        midis = sorted(j.target.intended_midi for _, j in moved)
        where = note_name(midis[0], names)
        if midis[-1] != midis[0]:
            where += f" to {note_name(midis[-1], names)}"
        shift, _ = max(moved, key=lambda pair: abs(pair[0]))
        lines.append(
            f"{code}: {count(len(moved), 'note')} with hardly any partials ({where}). Such tones "
            f"can seem up to {amount(shift)} cents {'higher' if shift > 0 else 'lower'} at "
            f"{LOUD_DB:.0f} than at {QUIET_DB:.0f} dB SPL; judge them at the level people will "
            "listen at. No figure of the edit list contains this."
        )
    return lines
