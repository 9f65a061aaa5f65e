"""Chords that several stems hold together, and which of their notes belong at a pure interval.

In a chord that is held, a third beats with its root until it is pure: 5/4 above it in a major
chord, 6/5 in a minor one. The root stays where the session A4 puts it, so that pure thirds never
walk the pitch away; melody stays where it is; so does whatever an instrument that nobody can move
is sounding as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from planner.clashes import LEAST_OVERLAP_S, SoundingNote
from planner.model import FIXED_ROLES
from planner.temperament import PITCH_CLASSES
from planner.tolerances import Judging

HELD_S = 0.6  # shorter chords pass by; common practice, no source
_JOINED_S = 0.1  # chosen: a note or chord taken up again this soon goes on
_INSIDE_SHARE = 0.5  # chosen: more than half of a note must lie in the chord it is judged by
_MOVING_STEMS = 2  # one voice over a band is melody; chosen

# Cents above the root: ratios of small numbers (Helmholtz, On the Sensations of Tone, part II).
PURE_CENTS = {
    "major": {4: 1200 * math.log2(5 / 4), 7: 1200 * math.log2(3 / 2)},
    "minor": {3: 1200 * math.log2(6 / 5), 7: 1200 * math.log2(3 / 2)},
}
PURE_SEVENTH_CENTS = 1200 * math.log2(7 / 4)
_DEGREES = {3: "third", 4: "third", 7: "fifth", 10: "seventh"}
_PRIMARY = (0, 5, 7)  # semitones of a key's first, fourth and fifth degree

# What can give way to a pure interval, and what cannot: keys, frets, samples.
_MOVING: frozenset[str] = frozenset(
    {"bowed", "bowed-group", "woodwind", "brass", "voice-harmony", "bass-fretless"}
)
_TEMPERED: frozenset[str] = FIXED_ROLES | {"sampled", "fretted", "fretted-chords", "bass-fretted"}
# Melody, and what is sung along with it: it gives way in unaccompanied stacks alone.
_MELODY: frozenset[str] = frozenset({"lead-voice", "voice-double"})


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldChord:
    """A chord that sounds unchanged for long enough."""

    root: int  # pitch class, C is 0
    quality: str  # "major" or "minor"
    start_s: float
    end_s: float
    stems: tuple[str, ...]  # that hold a note of it, by code

    @property
    def name(self) -> str:
        return f"{PITCH_CLASSES[self.root]} {self.quality}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PurePlace:
    """Where a held note belongs above the root of its chord."""

    semitones: int  # above the nearest root below
    pure_cents: float  # above that root
    share: float  # of the way there from its usual target, 0..1
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Held:
    """One note, or one note taken up again and again without a rest."""

    stem: str
    role: str
    midi: int
    start_s: float
    end_s: float
    ids: tuple[str, ...]


def pure_places(
    notes: tuple[SoundingNote, ...],
    judging: Judging,
    tonic_at: Callable[[float], int | None] = lambda at_s: None,
) -> dict[str, PurePlace]:
    """Find the notes that belong at a pure interval (note id -> place).

    Parameters
    ----------
    notes : tuple of SoundingNote
        All stems, on the common clock, with the notes that were meant.
    tonic_at : callable
        Seconds -> pitch class of the key's tonic, or None. It decides between chords of the same
        notes (C6 is Am7) where the lowest note does not.

    Notes
    -----
    ``judging.pure_thirds`` says how far: "yes" all the way, "halfway", "no" not at all. Halfway at
    most where keys or frets sound in the chord; not at all for a pitch that they sound as well.
    """
    if judging.pure_thirds == "no":
        return {}
    moving = _MOVING | _MELODY if judging.pure_thirds == "yes" else _MOVING
    held = [h for h in _joined(notes) if round(h.end_s - h.start_s, 6) >= HELD_S]
    chords = held_chords(tuple(held), tonic_at)
    found: dict[str, PurePlace] = {}
    for h in held:
        if h.role not in moving:
            continue
        chord = _chord_of(h, chords)
        if chord is None or _moving_stems(chord, held, moving) < _MOVING_STEMS:
            continue
        semitones = (h.midi - chord.root) % 12
        pure = PURE_CENTS[chord.quality].get(semitones)
        if semitones == 10 and chord.quality == "major" and judging.pure_sevenths:
            pure = PURE_SEVENTH_CENTS
        share = _share(h, chord, notes, moving, judging)
        if pure is None or not share:
            continue
        others = [code for code in chord.stems if code != h.stem]
        half = "" if share == 1.0 else "halfway to "
        said = (
            f"{half}the pure {_DEGREES[semitones]} of the {chord.name} chord held with "
            f"{_listed(others)}"
        )
        place = PurePlace(semitones=semitones, pure_cents=pure, share=share, said=said)
        found |= dict.fromkeys(h.ids, place)
    return found


def held_chords(
    held: tuple[_Held, ...], tonic_at: Callable[[float], int | None]
) -> tuple[HeldChord, ...]:
    """Name the chords that held notes make, in order of time; each lasts `HELD_S` at least."""
    edges = sorted({h.start_s for h in held} | {h.end_s for h in held})
    starting: dict[float, list[_Held]] = {}
    for h in held:
        starting.setdefault(h.start_s, []).append(h)
    chords: list[HeldChord] = []
    sounding: list[_Held] = []
    for low_s, high_s in pairwise(edges):
        sounding = [h for h in sounding if h.end_s > low_s] + starting.get(low_s, [])
        named = chord_name(tuple(h.midi for h in sounding), tonic_at(low_s))
        if named is None:
            continue
        root, quality = named
        tones = {root, *((root + step) % 12 for step in PURE_CENTS[quality])}
        stems = {h.stem for h in sounding if h.midi % 12 in tones}
        before = chords[-1] if chords else None
        if (
            before is not None
            and (before.root, before.quality) == named
            and round(low_s - before.end_s, 6) <= _JOINED_S
        ):
            start_s, stems = before.start_s, stems | set(before.stems)
            chords.pop()
        else:
            start_s = low_s
        chords.append(
            HeldChord(
                root=root, quality=quality, start_s=start_s, end_s=high_s,
                stems=tuple(sorted(stems)),
            )
        )  # fmt: skip
    return tuple(c for c in chords if round(c.end_s - c.start_s, 6) >= HELD_S)


def chord_name(midis: tuple[int, ...], tonic: int | None) -> tuple[int, str] | None:
    """Name the root (pitch class) and quality of notes that sound together, if they have one.

    Root, third and fifth must sound, with one other note at most. Of two chords that the notes
    make, the one whose root is the lowest note is taken, else the one on the first, fourth or fifth
    degree of the key; else none.
    """
    classes = {midi % 12 for midi in midis}
    if not 3 <= len(classes) <= 4:
        return None
    named = [
        (root, quality)
        for root in sorted(classes)
        for quality, above in PURE_CENTS.items()
        if all((root + step) % 12 in classes for step in above)
    ]
    if len(named) > 1:
        lowest = min(midis) % 12
        primary = [n for n in named if tonic is not None and (n[0] - tonic) % 12 in _PRIMARY]
        named = [n for n in named if n[0] == lowest] or primary
    return named[0] if len(named) == 1 else None


def _joined(notes: tuple[SoundingNote, ...]) -> list[_Held]:
    """Notes of one stem and pitch that follow at once, taken as one; in order of time."""
    found: list[_Held] = []
    last: dict[tuple[str, int], int] = {}
    for n in sorted(notes, key=lambda n: (n.start_s, n.id)):
        key = (n.stem, n.midi)
        if key in last and round(n.start_s - found[last[key]].end_s, 6) <= _JOINED_S:
            before = found[last[key]]
            found[last[key]] = _Held(
                stem=n.stem, role=n.role, midi=n.midi, start_s=before.start_s,
                end_s=max(before.end_s, n.end_s), ids=(*before.ids, n.id),
            )  # fmt: skip
            continue
        last[key] = len(found)
        found.append(
            _Held(
                stem=n.stem, role=n.role, midi=n.midi, start_s=n.start_s, end_s=n.end_s,
                ids=(n.id,),
            )
        )  # fmt: skip
    return found


def _overlap_s(h: _Held | SoundingNote, chord: HeldChord) -> float:
    return round(min(h.end_s, chord.end_s) - max(h.start_s, chord.start_s), 6)


def _chord_of(h: _Held, chords: tuple[HeldChord, ...]) -> HeldChord | None:
    """The one chord that a held note lies in for long enough; None where it changes under it."""
    chord = max(chords, key=lambda c: _overlap_s(h, c), default=None)
    if chord is None or _overlap_s(h, chord) < HELD_S:
        return None
    inside = _overlap_s(h, chord) > _INSIDE_SHARE * (h.end_s - h.start_s)
    return chord if inside else None


def _moving_stems(chord: HeldChord, held: list[_Held], moving: frozenset[str]) -> int:
    return len(
        {
            h.stem
            for h in held
            if h.role in moving and h.stem in chord.stems and _overlap_s(h, chord) >= HELD_S
        }
    )


def _share(
    h: _Held,
    chord: HeldChord,
    notes: tuple[SoundingNote, ...],
    moving: frozenset[str],
    judging: Judging,
) -> float:
    """How far a note goes toward its pure place, 0..1."""
    share = 1.0 if judging.pure_thirds == "yes" else 0.5
    start_s, end_s = max(h.start_s, chord.start_s), min(h.end_s, chord.end_s)
    tones = {chord.root, *((chord.root + step) % 12 for step in PURE_CENTS[chord.quality])}
    for n in notes:
        stays = n.role in _TEMPERED or (n.role in _MELODY and n.role not in moving)
        together = min(n.end_s, end_s) - max(n.start_s, start_s)
        if not stays or round(together, 6) < LEAST_OVERLAP_S:
            continue
        if n.midi % 12 == h.midi % 12:
            return 0.0
        if n.role in _TEMPERED and n.midi % 12 in tones:
            share = 0.5
    return share


def _listed(codes: list[str]) -> str:
    return " and ".join(filter(None, [", ".join(codes[:-1]), codes[-1]])) if codes else "itself"
