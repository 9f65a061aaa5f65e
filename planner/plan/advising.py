"""The rows that move nothing: what is asked about single notes, and what is advised."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from planner.answer.ruled_rules import REFUSED
from planner.clear.decided import Decided
from planner.clear.offered import saying_what_they_clear
from planner.clear.stays_sour import CHORDS_STAY, SourPart, sour_parts
from planner.model import FIXED_ROLES
from planner.pitch import note_name
from planner.plan.deciding import on_clock
from planner.plan.double_stops import double_stop_rows
from planner.plan.ground import Ground
from planner.plan.parts import Part
from planner.plan.planrows import advised, note_row, voicing_row
from planner.plan.retakes import take_rows
from planner.plan.rule_rows import advice_row
from planner.scope.scope_rule import ScopeRule
from planner.target.voicings import sour_chords
from planner.words.plan_model import Row
from planner.words.roles import is_chordal
from planner.words.session_model import StemSpec
from planner.words.wording import flat_or_sharp


def note_questions(ground: Ground, made: Decided) -> list[Row]:
    """Give the questions about single notes, stem by stem, with their first ids."""
    asked: list[Row] = []
    for code in sorted(made.parts):
        on = on_clock(ground, made.parts[code])
        for measured in on.stem.notes:
            one = made.judged[measured.id]
            if one.action in ("ask", "wrong-note"):
                row = note_row(one, on)
                asked.append(replace(row, id=f"Q-{len(asked) + 1:03d}", kind="question"))
    return asked


def advice_rows(
    ground: Ground, made: Decided, offers: Iterable[ScopeRule], fixed: Iterable[Part]
) -> list[Row]:
    """Give the advice, with its first ids: offers, takes, doubles to leave out, other voicings.

    offers : rules that are only told
    fixed : the stems that nobody can move
    """
    advice = [
        advice_row(rule, on_clock(ground, made.parts[rule.stem]))
        for rule in saying_what_they_clear(offers, made)
    ]
    for code in sorted(made.parts):
        part = made.parts[code]
        own = [made.judged[n.id] for n in part.stem.notes]
        refused = [k for k, r in made.rules.items() if r.stem == code and r.name == REFUSED]
        stems = [other.stem for other in made.parts.values()]
        advice += take_rows(own, on_clock(ground, part), stems, refused)
        role = part.stem.role
        if role not in FIXED_ROLES and is_chordal(part.stem) and role != "sampled":
            advice += double_stop_rows(part.aimed, on_clock(ground, part))
    for found in sour_parts(made):
        advice.append(_sour_part_row(found, made.parts[found.stem].spec))
    for part in fixed:
        keys = ground.a4.keys
        out = frozenset(k.midi for k in keys if k.stem == part.stem.code and k.stands_out)
        on = on_clock(ground, part)
        advice += [voicing_row(chord, on, out) for chord in sour_chords(part.aimed)]
    return [replace(row, id=f"A-{k + 1:03d}") for k, row in enumerate(advice)]


def _as_well(midis: tuple[int, ...]) -> str:
    names = " and ".join(note_name(midi) for midi in midis)
    return f", as {'is' if len(midis) == 1 else 'are'} {names}" if midis else ""


def _sour_part_row(found: SourPart, spec: StemSpec) -> Row:
    """Advise another take where chords stay sour that no edit reaches."""
    return advised(
        spec,
        found.covers,
        scope="part",
        intended=note_name(found.midi),
        intended_midi=found.midi,
        action="retake",
        rule_name=CHORDS_STAY,
        reason=f"sour in {found.sour_s:.0f} of the {found.sounds_s:.0f} s in which it sounds even "
        f"with every edit made, longest at {note_name(found.midi)}, {flat_or_sharp(found.cents)} "
        f"by then{_as_well(found.alike)}: chords are moved as a whole only, so if the player is "
        "still there, tune that note's string and play it again, or voice the chords without it",
    )
