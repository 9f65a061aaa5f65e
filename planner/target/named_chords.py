"""The chords that the session file names, on the session's clock; whether they fit the music."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from planner.clashes import SoundingNote
from planner.model import CHORD_ROLES, Finding
from planner.timeline import TempoMap
from planner.words.chord_symbols import ChordSymbol
from planner.words.session_model import Session
from planner.words.wording import percent

_FITS, _MISFITS = 0.8, 0.6  # chosen: shares of the time in which accompanying notes are chord tones
_LEAST_S = 8.0  # chosen: of notes; a few bars, so that one odd chord decides nothing
_PLAY_CHORDS = CHORD_ROLES | {"bass-fretted", "bass-fretless"}
_STEPS = (
    "", "a semitone", "a major second", "a minor third", "a major third", "a fourth", "a tritone",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedChord:
    """A chord of the session file, from where it is named to the next one."""

    start_s: float
    end_s: float  # infinite for the last
    symbol: ChordSymbol


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedChords:
    """All of them, in order of time; empty where the session names none."""

    spans: tuple[NamedChord, ...] = ()

    def at(self, at_s: float) -> ChordSymbol | None:
        """Give the chord that is named for a moment; None where none is, or nobody plays one."""
        k = bisect_right([span.start_s for span in self.spans], at_s) - 1
        if k < 0 or self.spans[k].symbol.root is None:
            return None
        return self.spans[k].symbol

    def over(self, start_s: float, end_s: float) -> ChordSymbol | None:
        """Give the chord that a note sounds over for most of its length."""
        best = max(
            self.spans, key=lambda c: min(c.end_s, end_s) - max(c.start_s, start_s), default=None
        )
        if best is None or best.symbol.root is None:
            return None
        inside = min(best.end_s, end_s) - max(best.start_s, start_s)
        return best.symbol if inside > 0.5 * (end_s - start_s) else None


NONE_NAMED = NamedChords()


def named_chords(session: Session, tempo_map: TempoMap | None) -> NamedChords:
    """Place the session's chords in seconds; none without a tempo map."""
    if tempo_map is None or not session.chords:
        return NONE_NAMED
    starts = [tempo_map.seconds_at(mark.bar, mark.beat) for mark in session.chords]
    ends = [*starts[1:], float("inf")]
    return NamedChords(
        spans=tuple(
            NamedChord(start_s=start_s, end_s=end_s, symbol=mark.symbol)
            for start_s, end_s, mark in zip(starts, ends, session.chords, strict=True)
        )
    )


def chord_findings(
    session: Session, chords: NamedChords, notes: Sequence[SoundingNote]
) -> tuple[Finding, ...]:
    """Ask about chords that the accompaniment does not play, or plays at another pitch.

    notes : all stems, on the common clock; keys, guitars and basses are held against the chords
    """
    if session.chords and not chords.spans:
        return (
            Finding(
                severity="warning",
                what="The session names chords by bar, and there is no tempo map to place them.",
                did="They were not used.",
                advice="Give a tempo map.",
            ),
        )
    shares = _shares(chords, notes)
    if shares is None or shares[0] >= _MISFITS:
        return ()
    best = max(range(-5, 7), key=lambda k: (shares[k % 12], -abs(k), k))
    said = (
        f"In {percent(shares[0])} of their time keys, guitars and basses play tones of the chords "
        "that the session file names"
    )
    if shares[best % 12] >= _FITS:
        way = "lower" if best < 0 else "higher"
        what = f"{said}; {_STEPS[abs(best)]} {way} it is {percent(shares[best % 12])}."
        advice = "Write the chords as they sound, or check where bar 1 lies."
    else:
        what, advice = f"{said}.", "Check their bars, and where bar 1 lies."
    return (
        Finding(
            severity="question",
            what=what,
            did="They were used only where the notes of a held chord agree with them.",
            advice=advice,
        ),
    )


def _shares(chords: NamedChords, notes: Sequence[SoundingNote]) -> list[float] | None:
    """Share of time in chord tones with the chords moved up by 0 to 11 semitones."""
    heard = [
        (n.end_s - n.start_s, n.midi, symbol)
        for n in notes
        if n.role in _PLAY_CHORDS and (symbol := chords.over(n.start_s, n.end_s)) is not None
    ]
    total_s = sum(length_s for length_s, _, _ in heard)
    if total_s < _LEAST_S:
        return None
    return [
        sum(length_s for length_s, midi, symbol in heard if (midi - k) % 12 in symbol.tones)
        / total_s
        for k in range(12)
    ]
