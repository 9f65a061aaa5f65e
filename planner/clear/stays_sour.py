"""What stays sour once every edit is made, and what stands against an edit that would clear it."""

from collections import defaultdict
from dataclasses import dataclass
from statistics import median

import numpy as np

from planner.clashes import can_be_sore, nobodys, sounds_sour
from planner.clear.decided import Decided, once_made, sour_of
from planner.clear.few_touched import FEW_TOUCHED
from planner.clear.sour_time import SourMap
from planner.model import FIXED_ROLES, StemNotes
from planner.rules import as_a_whole_only
from planner.words.plan_model import EDIT_ACTIONS, Judged

_RETAKE_SHARE = 0.3  # as of single notes that ask for edits; common practice, no source
_AS_LONG, _ALIKE_CENTS = 0.5, 2.0  # chosen: one string's pitches, and no others by their place
_RETAKE_S = 4.0  # chosen: less is a chord or two
# Two instruments that nobody can move agree up to here: common practice, no source.
_FIXED_OFF_CENTS = 4.0
_JUDGED_FINE = frozenset({"in tune", "within the uncertainty", "too little to gain", "would clash"})
# From the plainest reason on: of two notes that beat, and of all at one moment, the first counts.
ON_PURPOSE = "where a note is left on purpose"
ASKED = "where a question is open"
AS_A_WHOLE = "with {}, which is moved as a whole only"
AT_SOURCE = "with {}, which is put right where it was made"
FEW = "since no more notes may be touched"
WITHIN = "between notes that are each near enough by themselves"
WITH_FIXED = "with {}, which nobody can move"
CHORDS_STAY = "chords that stay sour"  # the name of the advice
NOBODYS = "between instruments that nobody can move"


def stays_sour(made: Decided) -> tuple[tuple[str, float], ...]:
    """Say why sour time stays, and how many s of it for each reason, most first.

    A moment with several reasons counts for one, so that they add up to what stays. Last and
    beside that, what lies between notes that nobody can move: no plan is measured by it.
    """
    sour = sour_of(made)
    now = once_made(sour, made.judged)
    why = [_why(made.judged[note.id], made.parts[note.stem].stem) for note in sour.met.notes]
    over = [(sour.note_first[k], sour.note_end[k], why[k]) for k in np.flatnonzero(now.over)]
    beating = [
        (sour.met_first[m], sour.met_end[m], min(why[sour.met.low[m]], why[sour.met.high[m]]))
        for m in np.flatnonzero(now.sore)
    ]
    left = sour.piece_s.copy()
    told: dict[str, float] = {}
    for first, end, (_, reason) in sorted([*over, *beating], key=lambda one: one[2]):
        told[reason] = told.get(reason, 0.0) + float(left[first:end].sum())
        left[first:end] = 0.0
    stays = sorted(told.items(), key=lambda one: (-one[1], one[0]))
    fixed_s = _between_fixed_s(sour)
    return (*stays, (NOBODYS, fixed_s)) if fixed_s else tuple(stays)


def _between_fixed_s(sour: SourMap) -> float:
    met = sour.met
    which = np.flatnonzero(can_be_sore(met) & nobodys(met))
    sounds = np.zeros(len(sour.piece_s), dtype=bool)
    for m in which[sounds_sour(met, sour.heard_hz, which)]:
        sounds[sour.met_first[m] : sour.met_end[m]] = True
    return float(sour.piece_s[sounds].sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class SourPart:
    """A part of struck chords that stays sour for too long: no edit reaches one of its notes."""

    stem: str
    sour_s: float
    sounds_s: float
    midi: int  # of its notes, the one that is sour for longest
    cents: float  # where that one lies, in the middle, once all is made
    alike: tuple[int, ...]  # other pitches that lie as far off, and are sour half as long or longer
    covers: tuple[str, ...]  # its notes that are sour


def sour_parts(made: Decided) -> list[SourPart]:
    """Find the parts of struck chords that stay sour for three tenths of their time."""
    sour = sour_of(made)
    now = once_made(sour, made.judged)
    stays = dict(stays_sour(made))
    found = []
    for code, part in sorted(made.parts.items()):
        if part.stem.role != "fretted-chords":
            continue
        sour_s = stays.get(AS_A_WHOLE.format(code), 0.0)
        own = {k for k, note in enumerate(sour.met.notes) if note.stem == code}
        sounds = np.zeros(len(sour.piece_s), dtype=bool)
        for note in own:
            sounds[sour.note_first[note] : sour.note_end[note]] = True
        sounds_s = float(sour.piece_s[sounds].sum())
        if sour_s < _RETAKE_S or sour_s <= _RETAKE_SHARE * sounds_s:
            continue
        # Notes beyond their tolerance, and those that beat: (note, first piece, piece after it).
        lies = [(k, sour.note_first[k], sour.note_end[k]) for k in np.flatnonzero(now.over)]
        lies += [
            (k, sour.met_first[m], sour.met_end[m])
            for m in np.flatnonzero(now.sore)
            for k in (sour.met.low[m], sour.met.high[m])
        ]
        for_s: dict[int, float] = defaultdict(float)  # by note (MIDI)
        covers = set()
        for k, first, end in lies:
            if k in own:
                for_s[sour.met.notes[k].midi] += float(sour.piece_s[first:end].sum())
                covers.add(sour.met.notes[k].id)
        worst = max(sorted(for_s), key=lambda midi: for_s[midi])
        lie: dict[int, list[float]] = defaultdict(list)
        for a in part.aimed:
            left = made.judged[a.measured.id].left_cents
            if a.measured.id in covers and left is not None:
                lie[a.target.intended_midi].append(left)
        cents = median(lie[worst])
        alike = [
            midi
            for midi, of_midi in sorted(lie.items())
            if midi != worst and for_s[midi] >= _AS_LONG * for_s[worst]
            and abs(median(of_midi) - cents) < _ALIKE_CENTS
        ]  # fmt: skip
        found.append(
            SourPart(
                stem=code, sour_s=sour_s, sounds_s=sounds_s, midi=worst, cents=cents,
                alike=tuple(alike),
                covers=tuple(a.measured.id for a in part.aimed if a.measured.id in covers),
            )
        )  # fmt: skip
    return found


def _why(j: Judged, stem: StemNotes) -> tuple[int, str]:
    """Why a note is not moved, or no further; the first of two notes' reasons is the plainer."""
    if stem.role in FIXED_ROLES:
        off = round(abs(j.heard_cents or 0.0), 1) > _FIXED_OFF_CENTS
        # Where it stands well itself, the other note says why.
        return (4, WITH_FIXED.format(stem.code)) if off else (6, "")
    if stem.role in ("sampled", "drum-tones"):
        return 2, AT_SOURCE.format(stem.code)
    if as_a_whole_only(stem.role, several_notes=stem.several_notes):
        return 2, AS_A_WHOLE.format(stem.code)
    if j.action in ("ask", "wrong-note"):
        return 1, ASKED
    if j.rule_name == FEW_TOUCHED:
        return 3, FEW
    if j.action in EDIT_ACTIONS or j.rule_name in _JUDGED_FINE:
        return 5, WITHIN
    return 0, ON_PURPOSE
