"""Which note was meant, and where it belongs: session A4, temperament, octave stretch."""

import math
from dataclasses import dataclass

import numpy as np

from planner.model import FIXED_ROLES, Floats, MeasuredNote, Role, SessionA4, Target
from planner.pitch import A4_MIDI, cents, hz_to_midi, midi_to_hz, note_name, shift_hz
from planner.target.keys import followed_key
from planner.temperament import temperament_cents
from planner.words.session_model import Session
from planner.words.wording import flat_or_sharp

# Further than this from every note, a person must say which was meant: a category is about 70 cents
# wide (Hill and Summers, JASA 121, 2007). The tolerances may say otherwise.
ASK_BEYOND_CENTS = 35.0

_OTHER_SHARE = 0.5

# Chosen: the notes of a part that is out as a whole lie within this of its offset; 60 % of them
# must, where notes spread evenly over all pitches would be 40 %.
_NEAR_OFFSET_CENTS = 20.0
_NEAR_OFFSET_SHARE = 0.6
NOTES_FOR_OFFSET = 8  # chosen: fewer could be a phrase with one leaning


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aimed:
    """One note beside its target: the errors, plus is sharp, None where not measured."""

    measured: MeasuredNote
    target: Target
    onset_cents: float | None
    sustain_cents: float | None
    end_cents: float | None
    heard_cents: float | None


def stretch_share(role: Role, session: Session) -> float:
    """Say which share of the reference's octave stretch a part follows, 0 to 1.

    The reference and other instruments that nobody can move follow all of it; a share typed in the
    session file holds for everyone else; without one they follow half. A bass as well: its partials
    are stretched less than those of the piano's low keys, so on all of it the higher ones beat.
    """
    if role in FIXED_ROLES:
        return 1.0
    if session.octave_stretch is not None:
        return session.octave_stretch
    return _OTHER_SHARE


def stretch_cents(midi: float, a4: SessionA4) -> float:
    """Give the reference's octave stretch at a note: straight lines, level beyond its ends."""
    if not a4.stretch:
        return 0.0
    notes, offsets = zip(*a4.stretch, strict=True)
    return float(np.interp(midi, notes, offsets))


def temperament_offsets(session: Session) -> tuple[float, ...]:
    """Give the session's 12 offsets from equal temperament in cents, C first, with A at 0."""
    if session.temperament == "table":
        # The session A4 says where A stands, so a table only says where the others stand to it.
        at_a = session.temperament_table[A4_MIDI % 12]
        return tuple(offset - at_a for offset in session.temperament_table)
    return temperament_cents(session.temperament)


def note_hz(
    midi: int, role: Role, session: Session, a4: SessionA4, *, follow_keys: bool = False
) -> float:
    """Say where a note belongs for a part of this role, in Hz.

    The whole song's declared offset is not added: the session A4 is where A stands in the
    recording, offset and all (see `planner.a4`). A part that doubles the reference may follow its
    keys (`follow_keys`): then all of the stretch counts, and each key's own offset with it.
    """
    share = 1.0 if follow_keys else stretch_share(role, session)
    off_equal = temperament_offsets(session)[midi % 12] + share * stretch_cents(midi, a4)
    if follow_keys and (key := followed_key(midi, session, a4)) is not None:
        off_equal += key.drawn_cents
    return shift_hz(midi_to_hz(midi, a4.a4_hz), off_equal)


def curve_hz(session: Session, a4: SessionA4) -> dict[int, float]:
    """Give every key of a piano where the session A4 and the whole smooth stretch put it, in Hz."""
    return {midi: note_hz(midi, "tuning-reference", session, a4) for midi in range(21, 109)}


def target_for(
    measured: MeasuredNote,
    role: Role,
    session: Session,
    a4: SessionA4,
    offset_cents: float = 0.0,
    *,
    intended_midi: int | None = None,
    ask_beyond_cents: float = ASK_BEYOND_CENTS,
    follow_keys: bool = False,
) -> Target:
    """Say which note was meant, and where it belongs.

    offset_cents : how far the whole part stands off (see `part_offset_cents`). Only the choice of
        the note allows for it: the target stays where the note belongs.
    intended_midi : int, optional
        The note that a score gives; then nothing is guessed and nothing lies between notes.
    ask_beyond_cents : further than this from the nearest note, the note counts as between two
    follow_keys : the part doubles the reference and follows its keys

    A note that was not measured is named after its coarse pitch and never counts as between notes.
    """
    measurement = measured.measurement
    read_hz = measurement.heard_hz or measurement.sustain_hz or measurement.onset_hz
    hz = read_hz or measured.note.pitch_hz
    between, from_score = False, intended_midi is not None

    def belongs(midi: int) -> float:
        return note_hz(midi, role, session, a4, follow_keys=follow_keys)

    if intended_midi is None:
        near = math.floor(hz_to_midi(shift_hz(hz, -offset_cents), a4.a4_hz))
        rests = [
            (abs(cents(hz, belongs(midi)) - offset_cents), midi)
            for midi in range(near - 1, near + 3)
        ]
        rest, intended_midi = min(rests)
        between = read_hz is not None and round(rest, 1) > ask_beyond_cents
    return Target(
        intended_midi=intended_midi,
        target_hz=belongs(intended_midi),
        target_from=("score, " if from_score else "")
        + _said_source(role, session, a4, intended_midi if follow_keys else None),
        from_score=from_score,
        between_notes=between,
    )


def part_offset_cents(
    notes: tuple[MeasuredNote, ...],
    role: Role,
    session: Session,
    a4: SessionA4,
    *,
    follow_keys: bool = False,
) -> float:
    """Say how far a part stands off as a whole, in cents from -50 to 50.

    The middle of the densest 40 cents of its errors, taken modulo a semitone, so that a part that
    is 45 cents flat does not come out as half of its notes flat and half of them sharp. 0 where
    there are too few notes, or they do not agree.
    """
    heard = [n.measurement.heard_hz for n in notes if n.measurement.heard_hz is not None]
    if len(heard) < NOTES_FOR_OFFSET:
        return 0.0
    rests = []
    for hz in heard:
        near = round(hz_to_midi(hz, a4.a4_hz))
        there_hz = note_hz(near, role, session, a4, follow_keys=follow_keys)
        rests.append(_wrapped(cents(hz, there_hz)))
    rest = np.sort(np.array(rests))
    near_each = np.abs(_wrapped_array(rest[:, None] - rest[None, :])) <= _NEAR_OFFSET_CENTS
    votes = near_each.sum(axis=1)
    if votes.max() < _NEAR_OFFSET_SHARE * len(rest):
        return 0.0
    best = rest[votes == votes.max()]
    centre = float(best[len(best) // 2])
    away = _wrapped_array(rest - centre)
    return _wrapped(centre + float(np.median(away[np.abs(away) <= _NEAR_OFFSET_CENTS])))


def aim(measured: MeasuredNote, target: Target) -> Aimed:
    """Set a measured note against its target."""
    measurement = measured.measurement

    def error(hz: float | None) -> float | None:
        return None if hz is None else cents(hz, target.target_hz)

    return Aimed(
        measured=measured,
        target=target,
        onset_cents=error(measurement.onset_hz),
        sustain_cents=error(measurement.sustain_hz),
        end_cents=error(measurement.end_hz),
        heard_cents=error(measurement.heard_hz),
    )


def _wrapped(value: float) -> float:
    return 50.0 - (50.0 - value) % 100.0


def _wrapped_array(values: Floats) -> Floats:
    return 50.0 - (50.0 - values) % 100.0


def _said_source(role: Role, session: Session, a4: SessionA4, follows: int | None) -> str:
    """Say where a target comes from; `follows`: the key of a part that follows the reference's."""
    said = "session A4"
    if session.temperament != "equal":
        said += f", temperament {session.temperament_said}"
    share = 1.0 if follows is not None else stretch_share(role, session)
    if share and any(offset for _, offset in a4.stretch):
        part = "the reference's octave stretch"
        said += f" and {part}" if share == 1 else f" and {100 * share:.0f} % of {part}"
    if follows is None:
        return said
    key = followed_key(follows, session, a4)
    if key is None:
        return f"{said} (its own {note_name(follows)} was not heard twice)"
    notes = f"{key.notes} notes"
    return f"{said} and its own {note_name(follows)} ({flat_or_sharp(key.drawn_cents)}, {notes})"
