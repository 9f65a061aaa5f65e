"""Who is named in a clash, and how a clash is said."""

import math
from collections.abc import Iterable, Mapping

from planner.clashes import EXPOSED_WEIGHT, SORE_KINDS, Clash, SoundingNote, clash_points
from planner.model import FIXED_ROLES, Role
from planner.pitch import cents, note_name
from planner.words.wording import count

# Of two notes equally far out, the part that leans on the other is named: references last, then
# what carries the harmony, then lines, then voices that follow a voice. Common practice, no source.
_GIVES_WAY: tuple[Role, ...] = (
    "tuning-reference", "fixed-pitch", "sampled", "drum-tones", "bass-fretted", "bass-fretless",
    "fretted-chords", "fretted", "bowed-group", "bowed", "woodwind", "brass", "lead-voice",
    "voice-harmony", "voice-double", "exclude",
)  # fmt: skip
_EQUAL_CENTS = 0.1  # edit lists carry no more
_GIVEN_TOLD_HZ = 0.5  # slower than this no beating is called sour
_EQUALLY_LOUD_DB = 3.0  # chosen: less says nothing beside what a mix does to levels


def beyond_uncertainty_cents(note: SoundingNote) -> float:
    """Say how far a note surely is from its target, in cents: its error less its uncertainty."""
    off = abs(cents(note.heard_hz, note.target_hz))
    return max(0.0, round(off - note.uncertainty_cents, 1))


def named_in(one: SoundingNote, other: SoundingNote) -> SoundingNote:
    """Say which of two beating notes is to be named: the one surely farther from its target.

    Never one of a part that nobody can move, if the other can. Of two equally far out, the one of
    the part that gives way by its role, then the one with the later id. When they sound, and in
    which order they are given, decides nothing.
    """
    return max(one, other, key=_to_be_named)


def _to_be_named(note: SoundingNote) -> tuple[bool, float, int, str]:
    off = round(beyond_uncertainty_cents(note) / _EQUAL_CENTS)
    return (note.role not in FIXED_ROLES, off, _GIVES_WAY.index(note.role), note.id)


def points_of_named(
    clashes: Iterable[Clash], notes: Mapping[str, SoundingNote]
) -> dict[str, float]:
    """Give each note the points of the worst clash that it is named in; a clash counts once."""
    points: dict[str, float] = {}
    far = {note_id: _to_be_named(note) for note_id, note in notes.items()}  # once, not by clash
    for clash in clashes:
        named = max(clash.lower_id, clash.upper_id, key=far.__getitem__)
        points[named] = max(points.get(named, 0.0), clash_points(clash))
    return points


def named_stems(
    clashes: Iterable[Clash], notes: Mapping[str, SoundingNote]
) -> tuple[tuple[str, int, float], ...]:
    """Count how often each stem is named in a plain clash: code, clashes, seconds; most first."""
    found: dict[str, tuple[int, float]] = {}
    for clash in clashes:
        if clash.kind in SORE_KINDS and clash.weight >= EXPOSED_WEIGHT:
            code = named_in(notes[clash.lower_id], notes[clash.upper_id]).stem
            times, lasts_s = found.get(code, (0, 0.0))
            found[code] = (times + 1, lasts_s + clash.end_s - clash.start_s)
    rows = [(code, times, round(lasts_s, 1)) for code, (times, lasts_s) in found.items()]
    return tuple(sorted(rows, key=lambda row: (-row[2], row[0])))


def called(note: SoundingNote) -> str:
    """Name a note of another stem in a sentence: ``PNO's A2``."""
    return f"{note.stem}'s {note_name(note.midi)}"


def own_and_other(clash: Clash, note_id: str) -> tuple[int, int]:
    """Give the number of a note's own partial in a clash, then the other note's."""
    return (clash.p, clash.q) if clash.lower_id == note_id else (clash.q, clash.p)


def said_clash(clash: Clash, me: SoundingNote, other: SoundingNote) -> str:
    """Say a clash in one clause, from one note's side.

    ``beats 2.6 times a second with PNO's A2 at A4 for 1.4 s``; beyond 15 beats a
    second it is heard as roughness and said so.
    """
    rate, lasts_s = _rate(clash.beating_hz), clash.end_s - clash.start_s
    if clash.kind == "rough":
        said = f"is rough against {called(other)} ({rate} a second)"
    else:
        # A tempered third beats by nature: then what is too much is said beside it.
        given = f" ({_rate(clash.given_hz)} if in tune)" if clash.given_hz >= _GIVEN_TOLD_HZ else ""
        said = f"beats {rate} times a second{given} with {called(other)}"
    own, others = own_and_other(clash, me.id)
    if max(own, others) > 1:
        # Where both sound: the note whose own pitch it is, or an overtone of both.
        at = note_name(round(me.midi + 12.0 * math.log2(own)))
        said += f", overtone on overtone at {at}," if min(own, others) > 1 else f" at {at}"
    said += f" for {lasts_s:.1f} s"
    beats = round(clash.beating_hz * lasts_s)
    if beats >= 1 and clash.kind != "rough":
        said += f" ({count(beats, 'beat')})"
    gap_db = round(other.level_db - me.level_db)
    if abs(gap_db) >= _EQUALLY_LOUD_DB:
        said += f", the other {abs(gap_db)} dB {'louder' if gap_db > 0 else 'softer'}"
    return said


def _rate(hz: float) -> str:
    return f"{hz:.1f}" if hz < 10 else f"{hz:.0f}"
