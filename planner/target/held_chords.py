"""Chords that several stems hold together, and which of their notes belong at a pure interval.

In a chord that is held, a third beats with its root until it is pure: 5/4 above it in a major
chord, 6/5 in a minor one. The root stays where the session A4 puts it, so that pure thirds never
walk the pitch away; melody stays where it is; so does whatever an instrument that nobody can move
is sounding as well.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import numpy as np

from planner.clashes import LEAST_OVERLAP_S, SoundingNote
from planner.decide.tolerances import Judging
from planner.model import FIXED_ROLES
from planner.target.named_chords import NONE_NAMED, NamedChords
from planner.temperament import PITCH_CLASSES
from planner.words.chord_symbols import ChordSymbol
from planner.words.wording import listed

HELD_S = 0.6  # shorter chords pass by; common practice, no source
_JOINED_S = 0.1  # chosen: a note or chord taken up again this soon goes on
_INSIDE_SHARE = 0.5  # chosen: more than half of a note must lie in the chord it is judged by
_NAMED_TONES = 2  # chosen: of a named chord; one note alone is in many chords
_MOVING_STEMS = 2  # one player over a band is melody; chosen

# Cents above the root: ratios of small numbers (Helmholtz, On the Sensations of Tone, part II).
PURE_CENTS = {
    "major": {4: 1200 * math.log2(5 / 4), 7: 1200 * math.log2(3 / 2)},
    "minor": {3: 1200 * math.log2(6 / 5), 7: 1200 * math.log2(3 / 2)},
}
_PURE_OPEN = {7: PURE_CENTS["major"][7]}  # of a chord whose third is suspended or left out
PURE_SEVENTH_CENTS = 1200 * math.log2(7 / 4)
_DEGREES = {3: "third", 4: "third", 7: "fifth", 10: "seventh"}
_SHARES = {"yes": 1.0, "halfway": 0.5, "no": 0.0}  # of `Judging.pure_thirds`
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
    quality: str  # "major", "minor", or "suspended" where a chord is named so
    start_s: float
    end_s: float
    stems: tuple[str, ...]  # that hold a note of it, by code
    symbol: str = ""  # as the session file names it; empty where the notes alone tell

    @property
    def name(self) -> str:
        return self.symbol or f"{PITCH_CLASSES[self.root]} {self.quality}"

    @property
    def pure(self) -> Mapping[int, float]:
        """Semitones above the root -> cents, of the tones with a pure place."""
        return PURE_CENTS.get(self.quality, _PURE_OPEN)

    @property
    def tones(self) -> frozenset[int]:
        return frozenset({self.root, *((self.root + step) % 12 for step in self.pure)})


@dataclass(frozen=True, slots=True, kw_only=True)
class PurePlace:
    """Where a held note belongs above the root of its chord."""

    semitones: int  # above the nearest root below
    pure_cents: float  # above that root
    share: float  # of the way there from its usual target, 0..1, as the judging goes
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
    named: NamedChords = NONE_NAMED,
) -> dict[str, PurePlace]:
    """Find the notes that belong at a pure interval (note id -> place).

    notes : all stems, on the common clock, with the notes that were meant
    tonic_at : seconds -> pitch class of the key's tonic, or None. It decides between chords of the
        same notes (C6 is Am7) where the lowest note does not.
    named : what the session file calls the chords. Two notes of a named chord are enough, root or
        fifth need not sound; where the notes do not fit its name, they alone count.

    ``judging.pure_thirds`` says how far: "yes" all the way, "halfway", "no" not at all. Halfway at
    most where keys or frets sound in the chord; a pitch that they sound as well has no such place.
    """
    moving = _MOVING | _MELODY if judging.pure_thirds == "yes" else _MOVING
    held = [h for h in _joined(notes) if round(h.end_s - h.start_s, 6) >= HELD_S]
    chords = held_chords(tuple(held), tonic_at, named)
    chords_during, held_during, notes_during = _during(chords), _during(held), _during(notes)
    found: dict[str, PurePlace] = {}
    for h in held:
        if h.role not in moving:
            continue
        chord = _chord_of(h, chords_during(h.start_s, h.end_s))
        if chord is None:
            continue
        meanwhile = _meanwhile(h, chord, notes_during(h.start_s, h.end_s))
        accompanied = any(n.role in _TEMPERED and n.midi % 12 in chord.tones for n in meanwhile)
        give_way = _MOVING if accompanied else moving
        beside = held_during(chord.start_s, chord.end_s)
        # A harmony voice is in the chord by its role; one player over a band may be the tune.
        fewest = 1 if h.role == "voice-harmony" else _MOVING_STEMS
        if h.role not in give_way or _moving_stems(chord, beside, give_way) < fewest:
            continue
        semitones = (h.midi - chord.root) % 12
        pure = chord.pure.get(semitones)
        if semitones == 10 and chord.quality == "major" and judging.pure_sevenths:
            pure = PURE_SEVENTH_CENTS
        stays = _TEMPERED | (_MELODY - give_way)
        if pure is None or any(n.role in stays and n.midi % 12 == h.midi % 12 for n in meanwhile):
            continue
        share = min(_SHARES[judging.pure_thirds], 0.5 if accompanied else 1.0)
        others = [code for code in chord.stems if code != h.stem]
        said = f"the pure {_DEGREES[semitones]} of the {chord.name} chord held with "
        said += listed(others) if others else "itself"
        place = PurePlace(semitones=semitones, pure_cents=pure, share=share, said=said)
        found |= dict.fromkeys(h.ids, place)
    return found


def held_chords(
    held: tuple[_Held, ...],
    tonic_at: Callable[[float], int | None],
    named: NamedChords = NONE_NAMED,
) -> tuple[HeldChord, ...]:
    """Name the chords that held notes make, in order of time; each lasts `HELD_S` at least."""
    changes = {span.start_s for span in named.spans}
    edges = sorted({h.start_s for h in held} | {h.end_s for h in held} | changes)
    starting: dict[float, list[_Held]] = {}
    for h in held:
        starting.setdefault(h.start_s, []).append(h)
    chords: list[HeldChord] = []
    sounding: list[_Held] = []
    for low_s, high_s in pairwise(edges):
        sounding = [h for h in sounding if h.end_s > low_s] + starting.get(low_s, [])
        symbol = named.at(low_s)
        found = _chord(tuple(h.midi for h in sounding), tonic_at(low_s), symbol)
        if found is None:
            continue
        here = replace(found, start_s=low_s, end_s=high_s)
        tones = here.tones | (symbol.tones if symbol is not None and here.symbol else frozenset())
        stems = {h.stem for h in sounding if h.midi % 12 in tones}
        before = chords[-1] if chords else None
        if (
            before is not None
            and (before.root, before.quality, before.symbol)
            == (here.root, here.quality, here.symbol)
            and round(low_s - before.end_s, 6) <= _JOINED_S
        ):
            start_s, stems = before.start_s, stems | set(before.stems)
            chords.pop()
        else:
            start_s = low_s
        chords.append(replace(here, start_s=start_s, stems=tuple(sorted(stems))))
    return tuple(c for c in chords if round(c.end_s - c.start_s, 6) >= HELD_S)


def _chord(
    midis: tuple[int, ...], tonic: int | None, symbol: ChordSymbol | None
) -> HeldChord | None:
    """The chord of notes that sound together, its time left open; None where it has no pure place.

    A chord that the session names is it where two of its tones sound, and one other note at most.
    """
    classes = {midi % 12 for midi in midis}
    if symbol is not None and symbol.root is not None:
        inside = classes & symbol.tones
        if len(inside) >= _NAMED_TONES and len(classes - inside) <= 1:
            if symbol.quality == "other":
                return None  # diminished and augmented chords have no agreed pure form
            return HeldChord(
                root=symbol.root, quality=symbol.quality, symbol=symbol.text, start_s=0.0,
                end_s=0.0, stems=(),
            )  # fmt: skip
    found = chord_name(midis, tonic)
    if found is None:
        return None
    return HeldChord(root=found[0], quality=found[1], start_s=0.0, end_s=0.0, stems=())


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


_Sounds = TypeVar("_Sounds", "_Held", HeldChord, SoundingNote)


def _during(sounding: Sequence[_Sounds]) -> Callable[[float, float], list[_Sounds]]:
    """Give a way to ask what sounds between two times, in the order given."""
    start_s = np.array([one.start_s for one in sounding])
    end_s = np.array([one.end_s for one in sounding])

    def during(from_s: float, to_s: float) -> list[_Sounds]:
        return [sounding[int(k)] for k in np.flatnonzero((start_s < to_s) & (end_s > from_s))]

    return during


def _overlap_s(h: _Held | SoundingNote, chord: HeldChord) -> float:
    return round(min(h.end_s, chord.end_s) - max(h.start_s, chord.start_s), 6)


def _chord_of(h: _Held, chords: Sequence[HeldChord]) -> HeldChord | None:
    """The one chord that a held note lies in for long enough; None where it changes under it."""
    chord = max(chords, key=lambda c: _overlap_s(h, c), default=None)
    if chord is None or _overlap_s(h, chord) < HELD_S:
        return None
    inside = _overlap_s(h, chord) > _INSIDE_SHARE * (h.end_s - h.start_s)
    return chord if inside else None


def _moving_stems(chord: HeldChord, held: Sequence[_Held], moving: frozenset[str]) -> int:
    return len(
        {
            h.stem
            for h in held
            if h.role in moving and h.stem in chord.stems and _overlap_s(h, chord) >= HELD_S
        }
    )


def _meanwhile(h: _Held, chord: HeldChord, notes: Sequence[SoundingNote]) -> list[SoundingNote]:
    """What sounds for long enough while a note is held in its chord."""
    start_s, end_s = max(h.start_s, chord.start_s), min(h.end_s, chord.end_s)
    return [
        n
        for n in notes
        if round(min(n.end_s, end_s) - max(n.start_s, start_s), 6) >= LEAST_OVERLAP_S
    ]
