"""What looks like an error and is none: grace notes, pushed, blue and leading notes."""

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from planner.model import VOICE_ROLES, MeasuredNote, Measurement, Role, StemNotes
from planner.pitch import cents
from planner.targets import Aimed

_GRACE_SHORTER_S = 0.09  # common practice, no source
_GRACE_GAP_S = 0.03  # chosen: closer than this, it leans on the next note
_PUSHED_SHARE = 95  # percentile of level; common practice, no source
_PUSHED_OVER_DB = 3.0  # chosen: a part sung at one level has no pushed notes
_NOTES_FOR_LEVEL = 20  # chosen: fewer notes have no loudest twentieth

# All three: common practice, no source.
_SLOW_VIBRATO_HZ = 3.5
_REGULAR = 0.6
_VIBRATO_HALF_CENTS = 10.0

# Cents above the tonic: a third between minor (316) and major (386), a fifth let down, and a
# seventh toward 7:4 (969). Common practice, no source.
_BLUE_CENTS = {"third": (315.0, 385.0), "fifth": (620.0, 680.0), "seventh": (969.0, 1000.0)}
_BLUE_OFF_CENTS = 5.0  # chosen: nearer to the written note, it is simply in tune
_COMES_BACK = 2  # times on the same degree

# Voices, bows and fretless necks raise a leading note by 5 to 15 cents; common practice, no source.
# Winds are left out: what is sharp on one of their pitches may be its fingering.
_LEADING_ROLES: frozenset[Role] = frozenset({"lead-voice", "bowed", "bass-fretless"})
LEADING_CENTS = 15.0
_RUNS_ON_WITHIN_S = 0.1  # chosen: what is slid into follows at once
_LEADS_WITHIN_S = 0.25  # chosen: after a longer rest nothing is led to any more


def wobbles(m: Measurement) -> bool:
    """Say whether a pitch swings too slowly or unevenly to be vibrato."""
    if m.vibrato_half_cents is None or m.vibrato_half_cents <= _VIBRATO_HALF_CENTS:
        return False
    slow = m.vibrato_hz is not None and m.vibrato_hz < _SLOW_VIBRATO_HZ
    uneven = m.vibrato_regularity is not None and m.vibrato_regularity <= _REGULAR
    return slow or uneven


def grace_notes(notes: tuple[MeasuredNote, ...]) -> frozenset[str]:
    """Find notes so short and so close to a longer one that they belong to it (ids)."""
    return frozenset(
        before.id
        for before, after in pairwise(notes)
        if before.note.length_s < _GRACE_SHORTER_S
        and abs(after.note.start_s - before.note.end_s) <= _GRACE_GAP_S
        and after.note.length_s >= 2 * before.note.length_s
    )


def pushed_notes(stem: StemNotes) -> frozenset[str]:
    """Find the shouted notes of a voice: its loudest twentieth, well above the rest (ids)."""
    if stem.role not in VOICE_ROLES or len(stem.notes) < _NOTES_FOR_LEVEL:
        return frozenset()
    level = np.array([n.note.level_db for n in stem.notes])
    least = max(
        float(np.percentile(level, _PUSHED_SHARE)), float(np.median(level)) + _PUSHED_OVER_DB
    )
    return frozenset(n.id for n, db in zip(stem.notes, level, strict=True) if db >= least)


def blue_notes(
    notes: tuple[MeasuredNote, ...], off_cents: dict[str, float], tonic_hz: dict[str, float]
) -> frozenset[str]:
    """Find blue notes that come back on the same degree (ids).

    off_cents : note id -> how far it is from the note it was taken for
    tonic_hz : dict
        Note id -> the tonic of the key it stands in, in any octave; notes without are passed over.
    """
    found: list[tuple[str, str]] = []
    for n in notes:
        heard_hz = n.measurement.heard_hz
        if heard_hz is None or n.id not in tonic_hz or abs(off_cents[n.id]) < _BLUE_OFF_CENTS:
            continue
        above = cents(heard_hz, tonic_hz[n.id]) % 1200.0
        for degree, (low, high) in _BLUE_CENTS.items():
            if low <= round(above, 1) <= high:
                found.append((n.id, degree))
    often = Counter(degree for _, degree in found)
    return frozenset(note_id for note_id, degree in found if often[degree] >= _COMES_BACK)


def leading_notes(
    aimed: Sequence[Aimed], role: Role, tonic_of: Mapping[str, int]
) -> frozenset[str]:
    """Find the notes a semitone under the tonic that are a little sharp and lead to it (ids).

    tonic_of : note id -> the tonic of the key it stands in (MIDI); notes without are passed over
    """
    if role not in _LEADING_ROLES:
        return frozenset()
    return frozenset(
        before.measured.id
        for before, after in pairwise(aimed)
        if before.measured.id in tonic_of
        and (tonic_of[before.measured.id] - before.target.intended_midi) % 12 == 1
        and after.target.intended_midi == before.target.intended_midi + 1
        and round(after.measured.note.start_s - before.measured.note.end_s, 6) <= _LEADS_WITHIN_S
        and before.heard_cents is not None
        and 0.0 < round(before.heard_cents, 1) <= LEADING_CENTS
    )


def goes_on(aimed: Sequence[Aimed]) -> dict[str, int]:
    """Say how many semitones away the next note lies, for each note that one follows at once."""
    return {
        before.measured.id: after.target.intended_midi - before.target.intended_midi
        for before, after in pairwise(aimed)
        if round(after.measured.note.start_s - before.measured.note.end_s, 6) <= _RUNS_ON_WITHIN_S
    }
