"""Do the notes that sound belong to the keys that the session file names?

A wrong key calls every note by another name, and protects the leading notes of another tonic.
"""

from collections.abc import Sequence

from planner.clashes import SoundingNote
from planner.model import Finding
from planner.pitch import RAISED_IN_MINOR, key_fifths, key_of_fifths, parse_note
from planner.timeline import TempoMap
from planner.words.session_model import KeyMark, Session
from planner.words.wording import percent

# Chosen: shares of the time in which notes of the key sound. Of seven notes a key a fifth away has
# six in common, as songs have that borrow one; a key two fifths away has five, 71 %.
_FITS, _MISFITS = 0.9, 0.75
_LEAST_S = 30.0  # chosen: of notes of all stems, so that a few bars of passing harmony ask nothing


def key_findings(
    session: Session, tempo_map: TempoMap | None, notes: Sequence[SoundingNote]
) -> tuple[Finding, ...]:
    """Ask about each typed key whose notes sound less than three quarters of its bars' time.

    Only where another signature fits: music that keeps to none is not asked about.

    notes: of all stems, on the common clock.
    """
    marks = session.keys if tempo_map is not None else session.keys[:1]
    told = []
    for k, mark in enumerate(marks):
        until = marks[k + 1].bar if k + 1 < len(marks) else None
        found = _other_key(mark, _times_s(mark, until, tempo_map, notes))
        if found is not None:
            own, key, fits = found
            told.append(
                Finding(
                    severity="question",
                    what=f"Notes of {mark.tonic} {mark.mode}, the key from bar {mark.bar} on, "
                    f"sound {percent(own)} of the time, those of {key} {percent(fits)}.",
                    did="Notes are called, and leading notes known, by the key as typed.",
                    advice="Write the key that was played, or where it changes.",
                )
            )
    return tuple(told)


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


def _other_key(mark: KeyMark, times_s: Sequence[float]) -> tuple[float, str, float] | None:
    """The share of a key's notes, and a key that fits with its share; None where it fits itself."""
    own, total_s = key_fifths(mark.tonic, mark.mode), sum(times_s)
    if own is None or total_s < _LEAST_S:
        return None
    shares = {
        f: round(sum(times_s[m] for m in _scale(f)) / total_s, 4) for f in {own, *range(-5, 7)}
    }
    best, here = max(shares, key=lambda f: (shares[f], -abs(f - own), f)), shares[own]
    if here >= _MISFITS or shares[best] < _FITS:
        return None
    # The same tonic in another mode is nearer at hand than another tonic.
    for mode in ("major", "minor"):
        if key_fifths(mark.tonic, mode) == best:
            return here, f"{mark.tonic} {mode}", shares[best]
    return here, key_of_fifths(best, mark.mode), shares[best]


def _scale(fifths: int) -> list[int]:
    """The seven notes of a signature, 0 for C: a chain of fifths, from F on without sharps."""
    return [7 * k % 12 for k in range(fifths - 1, fifths + 6)]
