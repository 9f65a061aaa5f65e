"""Two stems whose roles were exchanged in the session file: each sounds like the other's.

One stem alone proves little: a bass may play high, a wind without vibrato. Two that are each
unlike their own role and like the other's are asked about together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from planner.model import HARMONIC_ROLES, VOICE_ROLES, Finding, StemNotes
from planner.pitch import hz_to_midi, note_name
from planner.words.roles import ROLE_FACTS, is_chordal
from planner.words.wording import amount, count, percent

_LOW_ROLES = frozenset({"bass-fretted", "bass-fretless"})
_STRUCK_ROLES = frozenset({"bass-fretted", "fretted"})
_FEWEST_NOTES = 8  # chosen: heard in a wrong role, a stem gives fewer notes than it has
# Chosen: a fifth. Bass lines lie an octave and more under the rest; a bass that plays a melody over
# a low cello comes within a fourth of it.
_BELOW_SEMITONES = 7.0
# Chosen: a fourth above a bass's highest open string (G2), where its lines seldom go. A line around
# a higher note is no bass in another's place, however far over it the other lies.
_BASS_AROUND_MIDI = 48
# Of an invented bass heard as bowed no long note swings and 89 % of all begin with a stroke; of a
# cello heard as plucked 73 % swing and 29 % begin so (`python -m tests.sessions.exchanged`). Chosen
# between.
_LONG_S = 0.5
_SWINGS_CENTS, _REGULAR = 4.0, 0.5
_IN_VIBRATO, _WITHOUT_VIBRATO = 0.4, 0.1
_STRUCK, _NOT_STRUCK = 0.8, 0.5
# Half of what they swing over: singers 0.6 to 2 semitones in all, string players 0.2 to 0.35
# (R. Timmers and P. Desain, ICMPC 6, 2000, citing Seashore, Sundberg and Meyer).
_SUNG_CENTS, _BOWED_CENTS = 30.0, 17.5
# Under a guitar let down to D2 only a bass goes on, or a seventh string. Chosen: a quarter of the
# notes are no slips of an octave, and of a bass that plays high none of fifty may be.
_UNDER_GUITARS_MIDI = ROLE_FACTS["fretted"].seldom_below_midi
_MANY_UNDER, _NONE_UNDER = 0.25, 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """What a stem sounds like, whatever its role."""

    stem: StemNotes
    middle_midi: float
    struck: float  # share of notes that begin with an attack
    vibrato: float | None  # share of long notes; None with too few
    swing_cents: float | None  # to either side, the middle of those in vibrato; None with too few
    under_guitars: float  # share of notes

    @property
    def sounds_struck(self) -> bool:
        return self.struck >= _STRUCK and (self.vibrato or 0.0) <= _WITHOUT_VIBRATO

    @property
    def sounds_driven(self) -> bool:
        swings = self.vibrato is not None and self.vibrato >= _IN_VIBRATO
        return swings and self.struck <= _NOT_STRUCK

    @property
    def marked_struck(self) -> bool:
        return self.stem.role in _STRUCK_ROLES

    @property
    def marked_driven(self) -> bool:
        return self.stem.role in HARMONIC_ROLES


def exchanged_roles(stems: Sequence[StemNotes]) -> list[Finding]:
    """Ask about pairs of single-line stems that are each like the other's role; one a stem."""
    heard = [one for stem in stems if (one := _heard(stem)) is not None]
    found: list[Finding] = []
    told: set[str] = set()
    for a, b in combinations(heard, 2):
        if told & {a.stem.code, b.stem.code} or a.stem.role == b.stem.role:
            continue
        first, second = (a, b) if _speaks_for(a, b) else (b, a)
        if not _speaks_for(first, second):
            continue
        told |= {a.stem.code, b.stem.code}
        found.append(_asked(first, second))
    return found


def _heard(stem: StemNotes) -> _Heard | None:
    if is_chordal(stem) or stem.role in ("exclude", "drum-tones", "sampled"):
        return None
    if len(stem.notes) < _FEWEST_NOTES:
        return None
    long = [n.measurement for n in stem.notes if n.note.length_s >= _LONG_S]
    swings = [
        half
        for m in long
        if (half := m.vibrato_half_cents or 0.0) >= _SWINGS_CENTS
        and (m.vibrato_regularity or 0.0) > _REGULAR
    ]
    midi = np.array([hz_to_midi(n.note.pitch_hz) for n in stem.notes])
    return _Heard(
        stem=stem,
        middle_midi=float(np.median(midi)),
        struck=float(np.mean([n.note.begins == "attack" for n in stem.notes])),
        vibrato=len(swings) / len(long) if len(long) >= _FEWEST_NOTES else None,
        swing_cents=float(np.median(swings)) if len(swings) >= _FEWEST_NOTES else None,
        under_guitars=float(np.mean(np.round(midi) < _UNDER_GUITARS_MIDI)),
    )


def _speaks_for(low: _Heard, other: _Heard) -> bool:
    """Whether the lower, plucked or bowed one sounds like the other, and the other way round."""
    return (
        _lies_over(low, other)
        or _reaches_under(low, other)
        or _sounds_otherwise(low, other)
        or _swings_otherwise(low, other)
    )


def _lies_over(low: _Heard, other: _Heard) -> bool:
    bass, no_bass = low.stem.role in _LOW_ROLES, other.stem.role not in _LOW_ROLES
    may_be_bass = other.middle_midi <= _BASS_AROUND_MIDI
    far = low.middle_midi - other.middle_midi >= _BELOW_SEMITONES
    return bass and no_bass and may_be_bass and far


def _reaches_under(bass: _Heard, guitar: _Heard) -> bool:
    """Whether of two in one register the one marked as a guitar plays what only a bass can."""
    marked = bass.stem.role in _LOW_ROLES and guitar.stem.role == "fretted"
    only_one = guitar.under_guitars >= _MANY_UNDER and bass.under_guitars <= _NONE_UNDER
    return marked and only_one


def _swings_otherwise(bowed: _Heard, sung: _Heard) -> bool:
    """Whether the one marked as bowed swings as wide as singers do, and the voice as bows do."""
    marked = bowed.stem.role == "bowed" and sung.stem.role in VOICE_ROLES
    wide, narrow = bowed.swing_cents, sung.swing_cents
    if not marked or wide is None or narrow is None:
        return False
    return wide >= _SUNG_CENTS and narrow <= _BOWED_CENTS


def _sounds_otherwise(plucked: _Heard, driven: _Heard) -> bool:
    marked = plucked.marked_struck and driven.marked_driven
    return marked and plucked.sounds_driven and driven.sounds_struck


def _sounds_as_marked(plucked: _Heard, driven: _Heard) -> bool:
    marked = plucked.marked_struck and driven.marked_driven
    return marked and (plucked.sounds_struck or driven.sounds_driven)


def _asked(one: _Heard, other: _Heard) -> Finding:
    a, b = one.stem, other.stem
    evidence: list[str] = []
    against: list[str] = []
    places = (
        f"{a.code} lies around {note_name(round(one.middle_midi))}, {b.code} around "
        f"{note_name(round(other.middle_midi))}"
    )
    if _lies_over(one, other):
        evidence.append(places)
    elif one.marked_struck or one.stem.role in _LOW_ROLES:
        against.append(places)
    if _reaches_under(one, other):
        evidence.append(
            f"{percent(other.under_guitars)} of {b.code}'s notes lie under "
            f"{note_name(_UNDER_GUITARS_MIDI)}, where guitars hardly go, and of {a.code}'s "
            f"{percent(one.under_guitars)}"
        )
    if _swings_otherwise(one, other):
        evidence.append(
            f"{a.code}'s vibrato reaches {amount(one.swing_cents or 0.0)} cents to either side, as "
            f"voices do, and {b.code}'s {amount(other.swing_cents or 0.0)}, as bows do"
        )
    manner = "; ".join(_manner(each) for each in (one, other))
    if _sounds_otherwise(one, other):
        evidence.append(manner)
    elif _sounds_as_marked(one, other):
        against.append(manner)
    but = f" What does not say so: {'; '.join(against)}." if against else ""
    return Finding(
        severity="question",
        what=f"{a.code} is marked {a.role} and {b.code} {b.role}, and each sounds like the other: "
        f"{'; '.join(evidence)}. Were the two exchanged?{but}",
        did=f"Judged as {a.role} and {b.role}.",
        advice="If so, exchange the two roles (or files) in the session file: in the wrong role "
        "notes are missed and judged by the wrong measure.",
        stem=a.code,
    )


def _manner(heard: _Heard) -> str:
    vibrato = (
        f"{percent(heard.vibrato)} of its long notes in vibrato"
        if heard.vibrato is not None
        else "too few long notes to hear a vibrato"
    )
    notes = count(len(heard.stem.notes), "note")
    return f"of {heard.stem.code}'s {notes} {percent(heard.struck)} begin with a stroke, {vibrato}"
