"""Is one pitch of a part off wherever it comes?"""

import numpy as np

from planner.pitch import note_name
from planner.scope.scope_rule import (
    PartGround,
    ScopeRule,
    bias_of,
    gain_of_each,
    gain_of_move,
    least_cents,
    proven,
    scatter_around_pitches,
    settled,
    shrunk_cents,
    well_known,
    without_gross,
)
from planner.scope.short_scope import in_runs, without_unheard
from planner.targets import Aimed
from planner.words.wording import flat_or_sharp

# Chosen: what is so many standard errors off is surer than what is off by the least, known to 2.
_SURE_ERRORS = 4.0


def pitch_rules(notes: tuple[Aimed, ...], part: PartGround) -> list[ScopeRule]:
    """Find the pitches of a part that are off wherever they come.

    Notes that are off on purpose are not moved, but where they lie elsewhere it is no matter of
    their pitch: sung high in one place and low in another, say. One so far off that it may be the
    next note is asked about instead, note by note, unless it is known which was meant.
    """
    tolerances, limits = part.tolerances, part.tolerances.pitch_rule
    least = limits.offset_cents
    if part.role == "lead-voice":
        least = max(
            least, tolerances.part_rule.lead_voice_offset_cents * part.judging.tolerance_factor
        )
    by_pitch: dict[int, list[tuple[Aimed, float]]] = {}
    meant: dict[int, list[float]] = {}
    for aimed, error in settled(notes, part.role, tolerances):
        if aimed.measured.id in part.expression:
            meant.setdefault(aimed.target.intended_midi, []).append(error)
        else:
            by_pitch.setdefault(aimed.target.intended_midi, []).append((aimed, error))
    short = [a for run in in_runs(notes, part.role, tolerances) for a in run]
    fits = {midi: without_gross(without_unheard(by_pitch[midi], short)) for midi in by_pitch}
    fits = {midi: fits[midi] for midi in sorted(fits) if len(fits[midi]) >= limits.notes}
    usual = scatter_around_pitches([e for _, e in fit] for fit in fits.values())
    rules = []
    for midi, fit in fits.items():
        gain = gain_of_each(np.array([e for _, e in fit]))
        found = bias_of(fit)
        # Four notes may lie together by chance: a player scatters alike on all pitches.
        bias, doubt = found.cents, max(found.doubt_cents, usual / len(fit) ** 0.5)
        asked = least_cents(least, [a.measured.id for a, _ in fit], part.factors)
        known = well_known(bias, doubt, limits, _SURE_ERRORS)
        if not known or not proven(found, limits, asked, gain):
            continue
        every = np.array([e for _, e in fit] + meant.get(midi, []))
        if (every * bias > 0.0).mean() < limits.one_side_share:
            continue
        if round(abs(bias), 1) > tolerances.limits.ask_beyond_cents and not all(
            a.target.from_score or a.measured.id in part.known for a, _ in fit
        ):
            continue
        covered = [
            a
            for a in notes
            if a.target.intended_midi == midi and a.measured.id not in part.expression
        ]
        # Two sure notes do not speak for eight: those that are moved with them come out better too.
        heard = np.array([a.heard_cents for a in covered if a.heard_cents is not None])
        if gain_of_move(heard, bias) < limits.gain_share:
            continue
        covers = tuple(a.measured.id for a in covered)
        rules.append(
            ScopeRule(
                stem=notes[0].measured.note.stem,
                action="every-same-pitch",
                scope="pitch",
                covers=covers,
                bias_cents=bias,
                add_cents=round(-shrunk_cents(bias, doubt), 1),
                uncertainty_cents=doubt,
                intended_midi=midi,
                name="every same pitch",
                reason=f"every {note_name(midi)} is {flat_or_sharp(bias)}, wherever it comes: "
                "one move for all of them",
            )
        )
    return rules
