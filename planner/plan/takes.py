"""Which notes of another take are which notes of the stem, and whether one should stand in.

A take starts at the same zero as its stem and is only ever read. Its notes are laid beside the
stem's as a score would be, so a take sung without a click is followed too; then a note that is
worth touching badly may be borrowed where another take has the same one in tune.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.decide.cases import Case
from planner.decide.expression import wobbles
from planner.decide.moves import unmoved
from planner.model import FIXED_ROLES, Finding, Measurement, Note, Role
from planner.pitch import cents, hz_to_midi
from planner.score.score_match import StemScore, match_score
from planner.score.score_use import verdict
from planner.targets import Aimed
from planner.words.plan_model import MOVING_ACTIONS, Judged, TakeNote
from planner.words.roles import is_chordal
from planner.words.session_model import StemSpec, Take
from planner.words.wording import amount, count, flat_or_sharp, give_or_take, raise_or_lower

_SAME_LENGTH = 0.7  # chosen: much shorter leaves a hole, much longer runs into the next note
_OTHER_DYNAMIC_DB = 6.0  # chosen: twice the amplitude is another way of playing the note
_SAME_LEVEL_DB = 2.0  # common practice, no source: beyond it the level is told
_IN_TUNE_CENTS = 5.0  # common practice, no source: a note this near needs nothing further
_BETTER_CENTS = 10.0  # chosen: twice what an edit must gain to be listed
_SURE_SDS = 2.0  # as the floor of the tolerances
_LARGE_CENTS = 20.0  # chosen: above the widest usual tolerance, 18 of a lead voice
_EXPOSED = ("bare", "featured")

# Decisions of the table that another take may settle: what to say of the note.
_UNSETTLED = {
    "cannot tell": "{off} as far as it can be read",
    "between two notes": "{off}, between two notes",
    "wobble": "a slow or uneven wobble around a middle that is {off}",
    "wrong note": "{off}, nearer to another note",
    "another note": "{off}: another note was played",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakeHeard:
    """What was heard in another take of a stem."""

    stem: str  # code
    take: Take
    notes: tuple[tuple[Note, Measurement], ...]

    @property
    def called(self) -> str:
        return self.take.label or self.take.file


def may_borrow(spec: StemSpec) -> bool:
    """Say whether single notes of a part can be taken from another take: single lines only."""
    alone = not is_chordal(spec) and spec.role not in FIXED_ROLES
    return alone and spec.role not in ("exclude", "drum-tones", "sampled")


def take_notes(
    aimed: Sequence[Aimed], take: TakeHeard, a4_hz: float
) -> tuple[dict[str, TakeNote], tuple[Finding, ...]]:
    """Find the stem's notes in another take (note id -> the same note there).

    The intended notes of the stem stand for the score. Only firm and fair readings count, of about
    the same length, not twice as loud or soft, and without a wobble.

    aimed : the stem's notes beside their targets
    a4_hz : the session A4
    """
    late_s = take.take.late_by_ms / 1000.0
    score = StemScore(
        name=take.called,
        notes=tuple(
            (a.measured.note.start_s, a.measured.note.end_s, a.target.intended_midi) for a in aimed
        ),
        transpose=0,
        zero_s=(-late_s,),
    )
    match = match_score(
        [note.start_s for note, _ in take.notes],
        [hz_to_midi(m.heard_hz or note.pitch_hz, a4_hz) for note, m in take.notes],
        score,
        one_at_a_time=True,
    )
    found = verdict(match, score)
    if match is None or found != "fits":
        agree = 0 if match is None else match.steady
        later_s = match.later_s if match is not None and found == "elsewhere" else None
        return {}, (_not_used(take, later_s, agree),)
    pairs = [(take.notes[i], aimed[j]) for i, j in match.pairs]
    apart = [note.level_db - a.measured.note.level_db for (note, _), a in pairs]
    usual_db = float(np.median(apart))
    same: dict[str, TakeNote] = {}
    for ((note, m), a), db in zip(pairs, apart, strict=True):
        ratio = note.length_s / a.measured.note.length_s
        sure = m.confidence in ("firm", "fair") and m.heard_hz is not None
        if not sure or not _SAME_LENGTH <= ratio <= 1.0 / _SAME_LENGTH:
            continue
        if wobbles(m) or abs(db - usual_db) > _OTHER_DYNAMIC_DB:
            continue
        assert m.heard_hz is not None
        doubts = (m.uncertainty_cents, m.onset_uncertainty_cents)
        same[a.measured.id] = TakeNote(
            file=take.take.file, label=take.called, quality=take.take.quality,
            start_s=note.start_s, end_s=note.end_s,
            start_smp=note.start_smp, end_smp=note.end_smp, heard_hz=m.heard_hz,
            uncertainty_cents=doubts[0] if doubts[0] is not None else doubts[1],
            louder_db=round(db - usual_db, 1),
        )  # fmt: skip
    told = Finding(
        severity="note",
        what=f"{take.stem}: {take.called} has {len(match.pairs)} of {count(len(aimed), 'note')} "
        f"of the stem, {len(same)} of them sure enough to borrow.",
        did="It was read only; what could stand in for a note is a row of its own.",
        stem=take.stem,
        file=take.take.file,
    )
    return same, (told,)


def _not_used(take: TakeHeard, later_s: float | None, agree: int) -> Finding:
    if later_s is not None:
        side = "later" if later_s > 0 else "earlier"
        return Finding(
            severity="question",
            what=f"The notes of {take.called} of {take.stem} lie {abs(later_s):.2f} s {side} than "
            "the stem's: does its file start elsewhere?",
            did="It was not used: takes are taken to start where their stem starts.",
            advice=f"If so, write late_by_ms: {-1000.0 * later_s:.0f} beside the take's file, or "
            "export it from the stem's start.",
            stem=take.stem,
            file=take.take.file,
        )
    return Finding(
        severity="warning",
        what=f"{take.called} of {take.stem}: {agree} of {count(len(take.notes), 'note')} "
        "agree with the stem.",
        did="It was not used: it does not seem to be the same part.",
        advice="Check the take's file; takes start at the same zero as their stem.",
        stem=take.stem,
        file=take.take.file,
    )


def unheard(code: str, role: Role) -> Finding:
    """Say that takes of a part that plays several notes at once are not listened to."""
    return Finding(
        severity="note",
        what=f"{code} has other takes, and its role is {role}: notes are borrowed in single lines "
        "alone.",
        did="The takes were not listened to.",
        stem=code,
    )


# ---------------------------------------------------------------- decided


def with_other_take(judged: Judged, case: Case, takes: Sequence[TakeNote], linked: int) -> Judged:
    """Let another take's note stand in for one that is worth touching badly.

    That is a note which no figure settles (too far off, between two notes, a wobble, a reading
    that is not sure), or an exposed one that a large edit would move. The other take must have it
    within 5 cents, better by 10 and by more than chance, and what covers the note as a rule counts
    for the borrowed one too.

    judged, case
        The decision without other takes, and what it rests on.
    takes : the same note in the takes, in the order of the session file
    linked : other files of the same source, which need the same
    """
    why = _worth_it(judged, case)
    if not why or not takes or case.heard is None or case.beats_if_moved is not None:
        return judged
    rests = [
        (abs(rest), k, rest, take)
        for k, take in enumerate(takes)
        for rest in [
            round(cents(take.heard_hz, judged.target.target_hz) + case.layer_cents, 1)
        ]
        if _clearly_better(case, rest, take)
    ]  # fmt: skip
    if not rests:
        return judged
    _, _, rest, take = min(rests, key=lambda one: one[:2])
    instead = ""
    if judged.add_cents is not None:
        instead = f", or {raise_or_lower(judged.add_cents)}"
    return replace(
        unmoved(judged),
        action="other-take",
        rule_name="another take is better",
        reason=f"{why}; {_said(take, rest)}: borrow it{instead}{_linked(linked)}",
        remaining_cents=rest,
        take=take,
    )


def _worth_it(judged: Judged, case: Case) -> str:
    off = flat_or_sharp(case.heard)
    if judged.rule_name in _UNSETTLED:
        return _UNSETTLED[judged.rule_name].format(off=off)
    moves = [abs(c) for c in (judged.add_cents, *(c for _, c in judged.points)) if c is not None]
    exposed = case.exposure in _EXPOSED or case.role == "lead-voice"
    if judged.action in MOVING_ACTIONS and exposed and max(moves, default=0.0) >= _LARGE_CENTS:
        return f"{off} where it is exposed, and a large edit is heard"
    return ""


def _clearly_better(case: Case, rest: float, take: TakeNote) -> bool:
    mine, theirs = case.uncertainty, take.uncertainty_cents
    if case.heard is None or mine is None or theirs is None or abs(rest) > _IN_TUNE_CENTS:
        return False
    least = max(_BETTER_CENTS, _SURE_SDS * math.hypot(mine, theirs))
    return round(abs(case.heard) - abs(rest), 1) >= least


def _said(take: TakeNote, rest: float) -> str:
    level = ""
    if abs(take.louder_db) > _SAME_LEVEL_DB:
        way = "louder" if take.louder_db > 0 else "softer"
        level = f", {amount(take.louder_db)} dB {way} there, so match its level"
    quality = f" ({take.quality})" if take.quality else ""
    return (
        f"{take.label}{quality} has the same note {flat_or_sharp(rest)}"
        f"{give_or_take(take.uncertainty_cents)}, from {take.start_s:.2f} to {take.end_s:.2f} s "
        f"of {take.file}{level}"
    )


def _linked(linked: int) -> str:
    if not linked:
        return ""
    return (
        "; the linked file needs the same of its own take"
        if linked == 1
        else ("; the linked files need the same of their own takes")
    )


def borrowed_in_words(take: TakeNote) -> str:
    """Say an other-take row as what to do."""
    return f"borrow {take.label}, {take.start_s:.2f} to {take.end_s:.2f} s"


def by_note(found: Sequence[Mapping[str, TakeNote]]) -> dict[str, tuple[TakeNote, ...]]:
    """Join what several takes have, in their order: note id -> the same note in each of them."""
    ids = dict.fromkeys(note_id for one in found for note_id in one)
    return {k: tuple(one[k] for one in found if k in one) for k in ids}
