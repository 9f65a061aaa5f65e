"""Targets that depend on the other stems: the chord that is held, the lead that is sung along with.

Everyone is first aimed at the session A4 alone. Then held notes are aimed at their chord, and once
the lead is decided, its doubles at where the plan leaves it.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from planner.decide.tolerances import Judging
from planner.model import Note, SessionA4, Target
from planner.pitch import cents, parse_note, shift_hz
from planner.plan.parts import Part, all_notes
from planner.target.held_chords import pure_places
from planner.target.named_chords import NONE_NAMED, NamedChords
from planner.target.typed_keys import key_at
from planner.targets import aim, note_hz
from planner.timeline import TempoMap
from planner.words.plan_model import Judged
from planner.words.session_model import Session

_ALONG_SHARE = 0.5  # chosen: a double goes with the lead's note that it shares half its length with
_ON_THE_WAY = "as played on the way to "
_SAME_NOTE_CENTS = 50.0  # further from the lead's note, in any octave, it sings another one
# A question about the lead's note is open: nobody knows yet where it will be.
_UNDECIDED = frozenset({"ask", "wrong-note"})


def aimed_at_chords(
    parts: Mapping[str, Part],
    session: Session,
    a4: SessionA4,
    judging: Judging,
    tempo_map: TempoMap | None,
    named: NamedChords = NONE_NAMED,
) -> dict[str, Part]:
    """Aim the notes of held chords at pure intervals, as far as the judging goes.

    Who plays further toward the pure place than that, plays it well: such a note belongs where it
    sounds, or at the pure place where it goes beyond. Common practice, no source.
    """

    def tonic_at(at_s: float) -> int | None:
        key = key_at(session, tempo_map, at_s)
        return parse_note(f"{key.tonic}4") % 12 if key else None

    unsure = {
        a.measured.id for part in parts.values() for a in part.aimed if a.target.between_notes
    }
    notes = tuple(
        n for n in all_notes(parts) if n.id not in unsure and n.role != "drum-tones"
    )  # fmt: skip
    places = pure_places(notes, judging, tonic_at, named)
    targets: dict[str, Target] = {}
    for part in parts.values():
        for a in part.aimed:
            place = places.get(a.measured.id)
            if place is None or a.target.set_by_hand:
                continue
            # The root keeps its own target; only the distance to it is made pure.
            root_midi = a.target.intended_midi - place.semitones
            pure_hz = shift_hz(note_hz(root_midi, part.stem.role, session, a4), place.pure_cents)
            pure_cents = cents(pure_hz, a.target.target_hz)
            asked = place.share * pure_cents
            heard = asked if a.heard_cents is None else a.heard_cents
            add = float(np.clip(heard, min(asked, pure_cents), max(asked, pure_cents)))
            if not add:
                continue
            way = "" if add == pure_cents else "halfway to " if add == asked else _ON_THE_WAY
            targets[a.measured.id] = replace(
                a.target,
                target_hz=shift_hz(a.target.target_hz, add),
                target_from=f"{a.target.target_from}, {way}{place.said}",
            )
    # In a held chord a leading note is a third like any other.
    parts = {
        code: replace(part, leading=part.leading - targets.keys()) for code, part in parts.items()
    }
    return _aimed_at(parts, targets)


def aimed_at_leads(
    parts: Mapping[str, Part], judged: Mapping[str, Judged]
) -> tuple[dict[str, Part], dict[str, str]]:
    """Aim doubles at where the plan leaves their lead, with what it leaves in.

    judged : note id -> what was decided; doubles of notes that are not in it keep their own target

    Returns
    -------
    dict of Part : all parts; those without a lead as they were
    dict : note id of a double -> note id of the lead that it follows. Notes that share no note with
        the lead, or one about which a question is open, keep their own target.
    """
    targets: dict[str, Target] = {}
    follows: dict[str, str] = {}
    for part in parts.values():
        lead = _lead_of(part, parts)
        if lead is None:
            continue
        for a in part.aimed:
            note, hz = a.measured.note, a.measured.measurement.heard_hz
            if hz is None or a.target.set_by_hand:
                continue
            near = [(_together_s(note, part, b.measured.note, lead), b) for b in lead.aimed]
            together, best = max(near, key=lambda one: one[0], default=(0.0, a))
            if together <= 0.0 or together < _ALONG_SHARE * note.length_s:
                continue
            j = judged.get(best.measured.id)
            if j is None or j.remaining_cents is None or j.action in _UNDECIDED:
                continue
            planned_hz = shift_hz(j.target.target_hz, j.remaining_cents)
            octaves = round(cents(hz, planned_hz) / 1200.0)
            planned_hz = shift_hz(planned_hz, 1200.0 * octaves)
            midi = j.target.intended_midi + 12 * octaves
            # A double far out as a whole is known by its note's name, others by where they sound.
            near_it = abs(cents(hz, planned_hz)) <= _SAME_NOTE_CENTS
            if midi != a.target.intended_midi and not near_it:
                continue
            follows[a.measured.id] = best.measured.id
            targets[a.measured.id] = Target(
                intended_midi=midi,
                target_hz=planned_hz,
                target_from=f"where the plan leaves {best.measured.id}",
            )
    return _aimed_at(parts, targets), follows


def _lead_of(part: Part, parts: Mapping[str, Part]) -> Part | None:
    """The part that a double follows; a double of a double follows the first of them."""
    if part.stem.role != "voice-double":
        return None
    seen = {part.stem.code}
    lead = part
    while lead.stem.role == "voice-double":
        code = lead.spec.sung_with
        if code is None or code not in parts or code in seen:
            return None
        seen.add(code)
        lead = parts[code]
    return lead


def _together_s(mine: Note, part: Part, theirs: Note, lead: Part) -> float:
    """How long two notes sound together on the session's clock, s; below 0 where they do not."""
    start_s = max(mine.start_s + part.shift_s, theirs.start_s + lead.shift_s)
    return round(min(mine.end_s + part.shift_s, theirs.end_s + lead.shift_s) - start_s, 6)


def _aimed_at(parts: Mapping[str, Part], targets: Mapping[str, Target]) -> dict[str, Part]:
    return {
        code: replace(
            part,
            aimed=tuple(
                aim(a.measured, targets[a.measured.id]) if a.measured.id in targets else a
                for a in part.aimed
            ),
        )
        if any(a.measured.id in targets for a in part.aimed)
        else part
        for code, part in parts.items()
    }
