"""What players could try next time, in kind words about notes and instruments, not about people."""

from statistics import median

from planner.model import FIXED_ROLES, VOICE_ROLES
from planner.pitch import STANDARD_A4_HZ, cents
from planner.words.plan_model import Plan, StemSummary
from planner.words.wording import amount, count, flat_or_sharp
from planner.write.tally import PITCH_NOTES_MIN, pitch_biases

_OFFSET_TOLD_CENTS = 4.0  # common practice, no source: the least steady offset worth a retune
_START_TOLD_CENTS = 8.0  # common practice, no source: starts this far off are heard on short notes
_HELD_S = 0.5  # as the shortest note with a sustain of its own
_TOGETHER = 0.8  # of the offset: notes spread wider do not sit anywhere as a whole; chosen
_SPREAD_TOLD_CENTS = 20.0  # common practice, no source: beyond it another take costs less
_PITCH_TOLD_CENTS = 6.0  # common practice, no source: the least steady error of one pitch told
_SURE_ERRORS = 2.0  # chosen: once in twenty by chance
# Chosen: of ten pitches of a part one is told by chance in forty parts; at 2 it was in three.
_PITCH_SURE_ERRORS = 3.0
_TUNER_CENTS = 2.0  # chosen: tuners read to a cent or two, and so do players


def _held(plan: Plan, code: str) -> str:
    """Say where the held notes of a part settle: in tune, it was tuned on the ring."""
    settled = [
        j.sustain_cents
        for j in plan.judged
        if j.measured.note.stem == code
        and j.sustain_cents is not None
        and j.measured.note.length_s >= _HELD_S
    ]
    if len(settled) < PITCH_NOTES_MIN:
        return ", and hardly any is held"
    middle = median(settled)
    if abs(round(middle, 1)) < _OFFSET_TOLD_CENTS:
        by = flat_or_sharp(middle)
        said = "in tune" if by == "in tune" else f"in tune ({by})"
        return f", and held ones settle {said}, as when tuned on the ring"
    return f", and held ones settle {flat_or_sharp(middle)}, so it is not the tuning alone"


def _tuned_to_standard(plan: Plan, stem: StemSummary, offset_cents: float) -> str:
    """Say whether a tuner left at its usual A explains where a part sits; empty where it cannot."""
    there = cents(STANDARD_A4_HZ, plan.a4.a4_hz)
    if abs(round(there, 1)) < _TUNER_CENTS:
        return ""
    apart = abs(offset_cents - there)
    near = _TUNER_CENTS + _SURE_ERRORS * (stem.offset_uncertainty_cents or 0.0)
    usual = f"a tuner at A = {STANDARD_A4_HZ:.0f} Hz puts it"
    if round(apart, 1) <= round(near, 1):
        return f" ({usual} there)"
    return f" ({usual} {flat_or_sharp(there)}, so it is not that alone)"


def suggestions(plan: Plan) -> list[str]:
    """Word what the players could try next time, kindly, about notes and not about people."""
    lines: list[str] = []
    for stem in plan.stems:
        if stem.role not in FIXED_ROLES and stem.measured >= PITCH_NOTES_MIN:
            lines += _about_a_part(plan, stem)
    return lines + _about_pitches(plan)


def _about_a_part(plan: Plan, stem: StemSummary) -> list[str]:
    lines = []
    spread, start = stem.spread_cents, stem.onset_minus_sustain_cents
    own = [row for row in plan.rows if row.kind == "rule" and row.stem == stem.code]
    # What the part's rule says of it, the same number: it leaves out the strokes of strings.
    moves = [row.add_cents for row in own if row.scope == "part" and row.add_cents is not None]
    offset = -sum(moves) if moves else stem.offset_cents
    sharp_starts = start is not None and abs(round(start, 1)) >= _START_TOLD_CENTS
    # "Throughout" is said of notes that lie together, do not owe it to their beginnings, were all
    # played in one tuning, and do not owe it to one string or register.
    together = not sharp_starts and (spread or 0.0) <= _TOGETHER * abs(offset or 0.0)
    together &= all(row.scope != "span" for row in own)
    together &= bool(moves) or all(row.scope != "string" for row in own)
    if offset is not None and together and abs(round(offset, 1)) >= _OFFSET_TOLD_CENTS:
        lines.append(
            f"{stem.code}: the notes sit {flat_or_sharp(offset)} of the reference "
            f"throughout; {_way_to_tune(plan, stem, offset)}."
        )
    if start is not None and sharp_starts:
        lines.append(
            f"{stem.code}: notes begin {flat_or_sharp(start)} of where they settle"
            f"{_held(plan, stem.code)}; where "
            "short notes matter, tuning by their beginnings may suit the part better."
        )
    if spread is not None and round(spread, 1) > _SPREAD_TOLD_CENTS:
        lines.append(
            f"{stem.code}: the notes lie {amount(spread)} cents to either side of their "
            "middle; if there is time, another take may cost less than the edits."
        )
    return lines


def _way_to_tune(plan: Plan, stem: StemSummary, offset_cents: float) -> str:
    if stem.role in VOICE_ROLES:
        return (
            "a clearer reference in the headphones, and less of everything, may help, "
            "unless it is meant to lie there"
        )
    way = f"tuning to A = {plan.a4.a4_hz:.1f} Hz before the next take would settle it"
    return way + _tuned_to_standard(plan, stem, offset_cents)


def _about_pitches(plan: Plan) -> list[str]:
    """One pitch off by itself, against where its part sits."""
    lines = []
    stems = {stem.code: stem for stem in plan.stems}
    for bias in pitch_biases(plan):
        part = stems[bias.stem]
        if part.role == "sampled":  # nobody played it: it is put right where it was made
            continue
        look = "" if part.role in VOICE_ROLES else "a look at the instrument or "
        own = bias.mean_cents - (part.offset_cents or 0.0)
        proven = abs(own) >= _PITCH_SURE_ERRORS * bias.uncertainty_cents
        if abs(round(own, 1)) < _PITCH_TOLD_CENTS or not proven:
            continue
        lines.append(
            f"{bias.stem}: {bias.name} comes out {flat_or_sharp(own)} of its other notes in "
            f"{count(bias.notes, 'place')}; worth {look}a word about that one pitch."
        )
    return lines
