"""Do the notes that sound belong to the keys that the session file names?

A wrong key calls every note by another name, and protects the leading notes of another tonic.
"""

from collections.abc import Sequence

from planner.clashes import SoundingNote
from planner.model import Finding
from planner.pitch import RAISED_IN_MINOR, key_fifths, key_of_fifths, parse_note, shift_hz
from planner.timeline import TempoMap
from planner.words.session_model import KeyMark, Session
from planner.words.wording import percent

# Chosen: shares of the time in which notes of the key sound. Of seven notes a key a fifth away has
# six in common, as songs have that borrow one; a key two fifths away has five, 71 %.
_FITS, _MISFITS = 0.9, 0.75
_LEAST_S = 30.0  # chosen: of notes of all stems, so that a few bars of passing harmony ask nothing


def key_findings(
    session: Session, a4_hz: float, tempo_map: TempoMap | None, notes: Sequence[SoundingNote]
) -> tuple[Finding, ...]:
    """Ask about each typed key whose notes sound less than three quarters of its bars' time.

    Only where another signature fits: music that keeps to none is not asked about. Where that is a
    semitone off the key may be right, and A4 the neighbour of the one that was found.

    a4_hz: by which the notes are named; notes: of all stems, on the common clock.
    """
    marks = session.keys if tempo_map is not None else session.keys[:1]
    told = []
    for k, mark in enumerate(marks):
        until = marks[k + 1].bar if k + 1 < len(marks) else None
        found = _other_key(mark, _times_s(mark, until, tempo_map, notes))
        if found is not None:
            own, fifths, fits = found
            key = _called(mark, fifths)
            told.append(
                Finding(
                    severity="question",
                    what=f"Notes of {mark.tonic} {mark.mode}, the key from bar {mark.bar} on, "
                    f"sound {percent(own)} of the time, those of {key} {percent(fits)}.",
                    did="Notes are called, and leading notes known, by the key as typed.",
                    advice="Write the key that was played, or where it changes."
                    + _or_another_a4(session, mark, fifths, a4_hz),
                )
            )
    return tuple(told)


def _or_another_a4(session: Session, mark: KeyMark, fifths: int, a4_hz: float) -> str:
    """Offer the A4 a semitone off, where the notes of the typed key then sound."""
    typed = key_fifths(mark.tonic, mark.mode)
    if typed is None or session.a4_hz is not None or (fifths - typed) % 12 not in (5, 7):
        return ""
    semitones = -1 if (fifths - typed) % 12 == 5 else 1  # five fifths up are a semitone down
    tuned = "low" if semitones < 0 else "high"
    return (
        f" If {mark.tonic} {mark.mode} was played a semitone {tuned}, as at an old pitch or with "
        f"strings tuned so, write a4_hz: {shift_hz(a4_hz, 100.0 * semitones):.1f} instead."
    )


def key_at(session: Session, tempo_map: TempoMap | None, at_s: float) -> KeyMark | None:
    """Give the key that is typed for a moment; without bars the first one, None where none is."""
    bar = tempo_map.played_at(at_s)[0] if tempo_map else 1
    return next((mark for mark in reversed(session.keys) if mark.bar <= bar), None)


def notes_of(mark: KeyMark) -> frozenset[int] | None:
    """Give the notes of a key, 0 for C, with those raised on the way up in minor; None for none."""
    fifths = key_fifths(mark.tonic, mark.mode)
    if fifths is None:
        return None
    minor = mark.mode.lower() in ("minor", "aeolian")
    tonic = parse_note(f"{mark.tonic}4")
    return frozenset([*_scale(fifths), *((tonic + k) % 12 for k in RAISED_IN_MINOR if minor)])


def _times_s(
    mark: KeyMark, until: int | None, tempo_map: TempoMap | None, notes: Sequence[SoundingNote]
) -> list[float]:
    """How long each of the twelve notes sounds, from C on, in the bars of one key."""
    times_s = [0.0] * 12
    for n in notes:
        bar = tempo_map.played_at(n.start_s)[0] if tempo_map else mark.bar
        if n.role != "drum-tones" and bar >= mark.bar and (until is None or bar < until):
            times_s[n.midi % 12] += n.end_s - n.start_s
    return times_s


def _other_key(mark: KeyMark, times_s: Sequence[float]) -> tuple[float, int, float] | None:
    """The share of a key's notes, and a signature that fits with its share; None where it fits."""
    own, total_s = key_fifths(mark.tonic, mark.mode), sum(times_s)
    if own is None or total_s < _LEAST_S:
        return None
    shares = {
        f: round(sum(times_s[m] for m in _scale(f)) / total_s, 4) for f in {own, *range(-5, 7)}
    }
    best, here = max(shares, key=lambda f: (shares[f], -abs(f - own), f)), shares[own]
    if here >= _MISFITS or shares[best] < _FITS:
        return None
    return here, best, shares[best]


def _called(mark: KeyMark, fifths: int) -> str:
    """Name a signature: the same tonic in another mode is nearer at hand than another tonic."""
    for mode in ("major", "minor"):
        if key_fifths(mark.tonic, mode) == fifths:
            return f"{mark.tonic} {mode}"
    return key_of_fifths(fifths, mark.mode)


def _scale(fifths: int) -> list[int]:
    """The seven notes of a signature, 0 for C: a chain of fifths, from F on without sharps."""
    return [7 * k % 12 for k in range(fifths - 1, fifths + 6)]
