"""On which strings was each chord of a guitar held, as far as hand and tuning leave no choice?

In chords no note shows a stiffness of its own, so only pitch is left: notes of one stroke lie on
different strings, none below its open note. Where every way to hold a chord puts a note on the same
string, that string is told; nothing is guessed, and nothing without typed strings.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from planner.model import Finding
from planner.polyphony.chord_times import STROKE_S
from planner.scope.strings import FRETS, StringGuess, called_string
from planner.targets import Aimed
from planner.words.session_model import StemSpec
from planner.words.spread import doubt_of_middle, spread_of
from planner.words.wording import amount, count, flat_or_sharp

_HAND_FRETS = 4  # from the lowest to the highest stopped fret; common practice, no source
_PARTIALS = (12, 19, 24)  # semitones of the second to fourth partial, which may be taken for notes
_TOLD_CENTS = 5.0  # common practice, no source: as a string of a single line
_NOTES, _PLACES = 8, 2  # of the string; chosen: as a string of a single line, and no single fret
_SURE_ERRORS = 3.0

Place = tuple[int, int]  # string (place in the tuning), fret from the nut


def guess_chord_strings(aimed: Sequence[Aimed], spec: StemSpec) -> dict[str, StringGuess]:
    """Tell string and fret of chord notes (note id -> guess); empty without typed strings.

    Told firmly where pitch alone decides, fairly where the reach of a hand does.
    """
    tuning = tuple(sorted(set(spec.strings)))
    if spec.role != "fretted-chords" or not tuning:
        return {}
    known: dict[tuple[int, ...], list[StringGuess]] = {}
    found: dict[str, StringGuess] = {}
    for stroke in _strokes(aimed):
        midi = tuple(a.target.intended_midi for a in stroke)
        if midi not in known:
            known[midi] = _placed(midi, tuning, spec.capo)
        found |= {a.measured.id: g for a, g in zip(stroke, known[midi], strict=True)}
    return found


def _strokes(aimed: Sequence[Aimed]) -> list[list[Aimed]]:
    """Notes that begin together, each stroke by pitch."""
    strokes: list[list[Aimed]] = []
    begins = float("-inf")
    for a in sorted(aimed, key=lambda a: a.measured.note.start_s):
        if a.measured.note.start_s - begins > STROKE_S:
            begins = a.measured.note.start_s
            strokes.append([])
        strokes[-1].append(a)
    return [sorted(s, key=lambda a: (a.target.intended_midi, a.measured.id)) for s in strokes]


def _placed(midi: tuple[int, ...], tuning: tuple[int, ...], capo: int) -> list[StringGuess]:
    """Tell each note's place where it is the same whichever partial was taken for a note."""
    outs = [None, *(k for k, m in enumerate(midi) if any(m - low in _PARTIALS for low in midi))]
    kept = {out: tuple(m for k, m in enumerate(midi) if k != out) for out in outs}
    all_ways = {out: _ways(notes, tuning, capo) for out, notes in kept.items()}
    in_reach = {
        out: [way for way in ways if _reach(way, capo) <= _HAND_FRETS]
        for out, ways in all_ways.items()
    }
    if not all_ways[None]:
        return [StringGuess()] * len(midi)
    guesses = []
    for k in range(len(midi)):
        by_pitch, by_hand = _places(all_ways, k), _places(in_reach, k)
        sure = k not in outs  # a partial taken for a note is held by no hand
        if len(by_pitch) == 1 or (sure and len(by_hand) == 1):
            string, fret = min(by_pitch if len(by_pitch) == 1 else by_hand)
            guesses.append(
                StringGuess(
                    string_midi=tuning[string],
                    called=called_string(tuning[string], tuning),
                    fret=fret,
                    told="firm" if len(by_pitch) == 1 else "fair",
                )
            )
        else:
            guesses.append(StringGuess(told="not told apart"))
    return guesses


def _places(ways_of: Mapping[int | None, list[tuple[Place, ...]]], k: int) -> set[Place]:
    """Where note k can lie, with all notes and with each of those in doubt left out."""
    places = set()
    for out, ways in ways_of.items():
        if out != k:
            places |= {way[k if out is None or k < out else k - 1] for way in ways}
    return places


def _ways(
    midi: tuple[int, ...], tuning: tuple[int, ...], capo: int, taken: tuple[Place, ...] = ()
) -> list[tuple[Place, ...]]:
    """All ways to put the notes on different strings."""
    if len(taken) == len(midi):
        return [taken]
    used = {string for string, _ in taken}
    note = midi[len(taken)]
    ways = []
    for string, opened in enumerate(tuning):
        fret = note - opened
        if string not in used and capo <= fret <= FRETS:
            ways += _ways(midi, tuning, capo, (*taken, (string, fret)))
    return ways


def _reach(way: tuple[Place, ...], capo: int) -> int:
    stopped = [fret for _, fret in way if fret > capo]
    return max(stopped) - min(stopped) if stopped else 0


def chord_string_findings(
    aimed: Sequence[Aimed], strings: Mapping[str, StringGuess], spec: StemSpec
) -> tuple[Finding, ...]:
    """Say which string of a chord part sits apart from the others: to be retuned, never edited."""
    if spec.role != "fretted-chords":
        return ()
    of: dict[str, list[tuple[float, int]]] = {}
    for a in aimed:
        guess = strings.get(a.measured.id)
        if guess is None or guess.fret is None or a.sustain_cents is None:
            continue
        of.setdefault(guess.called, []).append((a.sustain_cents, guess.fret))
    found = []
    for called, own in of.items():
        rest = np.array([off for other, all_of in of.items() if other != called
                         for off, _ in all_of])  # fmt: skip
        here = np.array([off for off, _ in own])
        if min(len(here), len(rest)) < _NOTES or len({fret for _, fret in own}) < _PLACES:
            continue
        apart = float(np.median(here) - np.median(rest))
        spreads = [spread_of(values) for values in (here, rest)]
        doubt = float(
            np.hypot(doubt_of_middle(spreads[0], len(here)), doubt_of_middle(spreads[1], len(rest)))
        )
        if round(abs(apart), 1) < _TOLD_CENTS or abs(apart) < _SURE_ERRORS * doubt:
            continue
        found.append(
            Finding(
                severity="note",
                what=f"In the chords of {spec.code} the {called} string sits "
                f"{flat_or_sharp(apart)} of the others ({count(len(here), 'note')} whose string is "
                f"told, at {len({fret for _, fret in own})} frets, against "
                f"{count(len(rest), 'note')} that scatter by {amount(spreads[1])}).",
                did="Nothing is planned for it: chords are not edited note by note.",
                advice="Tune that string before another take, or leave it: a player may have let "
                "an open third down on purpose.",
                stem=spec.code,
            )
        )
    return tuple(found)
