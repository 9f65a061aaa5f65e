"""On which string, and at which fret, was each note played?

A stopped string has the stiffness ``B = B_open 2^(fret / 6)``: B goes as one over the square of the
length (H. Fletcher, J. Acoust. Soc. Am. 36, 1964, 203: ``B = pi^3 E d^4 / (64 T L^2)``), and twelve
frets halve the length. So ``ln B - pitch ln 2 / 6`` is one number for each string, wherever it is
stopped, and the notes of a take gather around as many numbers as strings were used. Which number is
which string follows from what each can reach: a string gives nothing below its open note. All ways
to name the gatherings are weighed against each other, so that two strings that fit alike come out
as not told apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats, MeasuredNote, Role
from planner.pitch import note_name
from planner.targets import Aimed
from planner.words.session_model import StemSpec

Told = Literal["firm", "fair", "not told apart", ""]  # "" is: nothing to tell it by

FRETTED_ROLES: frozenset[str] = frozenset({"fretted", "bass-fretted", "bass-fretless"})
FRETS = 24  # common practice, no source: as many as any fretboard has

# Common practice, no source: E A D G B E, and the bass an octave below its lower four.
_STANDARD: dict[str, tuple[int, ...]] = {
    "fretted": (40, 45, 50, 55, 59, 64),
    "bass-fretted": (28, 33, 38, 43),
    "bass-fretless": (28, 33, 38, 43),
}
_PER_SEMITONE = np.log(2.0) / 6.0  # by which ln B grows
# How far ln B of single notes may lie from that law, standard deviations; the one with the most
# evidence is taken. Means of ten takes of two guitars, 13 frets of 11 strings, lie 0.025 around it
# (published table, tests/guitars.py); 12 pairs of single recorded notes (basses and a guitar of a
# General MIDI soundfont, strings inferred from pitch and B, tried once) about 0.065.
_LAW_SDS = (0.03, 0.06, 0.09)
_LEAN_SD = 0.02  # of a whole string's notes from it: 12 frets multiply B by 3.8 to 4.0 there
# ln B of an open string by its MIDI note, as a loose guess: geometric means of the two guitars of
# that table; lowest bass string from S. Kemp, SN Applied Sciences 2 (2020) 636.
_USUAL_MIDI = (23.0, 40.0, 45.0, 50.0, 55.0, 59.0, 64.0)
_USUAL_B = (30.6e-5, 13.6e-5, 6.4e-5, 4.6e-5, 6.4e-5, 5.4e-5, 1.9e-5)
# Chosen: the two guitars differ by 0.2 to 1.3 in ln B, wound and plain third strings most.
_USUAL_SD = 0.7
_RIVAL_OUT_SDS = 3.0  # chosen: a string never heard is ruled out this far from the usual
_STRAY_SHARE = 0.02  # chosen
_STRAY = _STRAY_SHARE / 8.0  # a wrong B lies anywhere in 8 of ln B: chosen
_LEAST_NOTES = 8  # chosen: fewer notes with a B show no strings
# Chosen: what must hold before the law tells anything: the share of notes that follow it, their
# mean square misfit (1 is as expected), and pitches for each string.
_LAW_SHARE, _LAW_MISFIT, _PLACES_A_STRING = 0.8, 2.0, 2
_SURE, _KNOWN_NOTES = 0.9, 3  # chosen: a string is known once so many notes surely lie on it
_FIRM, _FAIR = 0.97, 0.9  # chosen: shares of belief; checked in tests/bench/strings.py
_BENT_CENTS = 60.0  # chosen: a string pulled further has no fret to its pitch
_MOST_PEAKS = 10
_GAP, _EXACT_SD = 0.09, 0.03  # chosen: between gatherings; of one, to begin with
_LEARNED_FROM = 200
_BEAM, _MODES, _ROUNDS = 200, 60, 30
_STEMS_KEPT = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class StringGuess:
    """Where one note was played, as far as that can be told."""

    string_midi: int | None = None  # the open note of the string; None where it is not told
    called: str = ""  # what players call it: "A", "low E"
    fret: int | None = None  # from the nut, also with a capo
    told: Told = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Where notes lie on the law, how far around it, and which strings reach them."""

    place: Floats  # (n,) ln B less what its pitch makes of it
    spread: Floats  # (n,) one standard deviation
    reach: NDArray[np.bool_]  # (n, strings)

    def joint(self, centre: Floats, doubt: Floats, mix: Floats) -> Floats:
        """Density of each note on each string (states, n, strings), shares among those in reach.

        centre, doubt, mix : (states, strings) where strings lie, their variances, their shares
        """
        variance = self.spread[None, :, None] ** 2 + doubt[:, None, :]
        off = (self.place[None, :, None] - centre[:, None, :]) ** 2 / variance
        # Every fret of a string is as likely as any other, and so is every string: what a player
        # would rather do is not known, and a whole phrase is played in one place.
        shares = np.where(self.reach[None], mix[:, None, :], 0.0)
        density: Floats = (
            (1.0 - _STRAY_SHARE) * shares * np.exp(-0.5 * off) / np.sqrt(2.0 * np.pi * variance)
        )
        return density

    def likelihood(self, centre: Floats, doubt: Floats, mix: Floats) -> Floats:
        """How well each state explains all notes (states,)."""
        explained = self.joint(centre, doubt, mix).sum(axis=2) + _STRAY
        likelihood: Floats = np.log(explained).sum(axis=1)
        return likelihood


def _belief(joint: Floats) -> Floats:
    belief: Floats = joint / (joint.sum(axis=2, keepdims=True) + _STRAY)
    return belief


def tuning_of(role: Role, spec: StemSpec) -> tuple[int, ...]:
    """Open strings as MIDI notes, lowest first: the session's, else those of standard tuning."""
    return tuple(sorted(set(spec.strings or _STANDARD.get(role, ()))))


def called_string(string_midi: int, tuning: Sequence[int]) -> str:
    """Name a string as players do: by its letter, low or high where two share it."""
    letter = note_name(string_midi)
    alike = sorted(m for m in set(tuning) if (m - string_midi) % 12 == 0)
    if len(alike) > 2:
        return letter
    letter = letter.rstrip("-0123456789")
    if len(alike) == 1:
        return letter
    return f"{'low' if string_midi == alike[0] else 'high'} {letter}"


def guess_strings(aimed: Sequence[Aimed], role: Role, spec: StemSpec) -> dict[str, StringGuess]:
    """Guess string and fret of every note of a stem: note id -> guess; empty for other roles.

    Standard tuning is assumed only where the notes allow it: with more than one in fifty below its
    lowest string, nothing is said of any note.
    """
    tuning = tuning_of(role, spec)
    if role not in FRETTED_ROLES or not tuning or not aimed:
        return {}
    midi = np.array([a.target.intended_midi for a in aimed], dtype=np.int64)
    if not spec.strings and (midi < tuning[0]).mean() > 1 / 50:
        return {a.measured.id: StringGuess() for a in aimed}
    own = [_own_b(a.measured) for a in aimed]
    still = np.array([_held_still(a.measured) for a in aimed])
    log_b = np.array([np.nan if b is None else np.log(b[0]) for b in own])
    log_b_sd = np.array([np.nan if b is None else b[1] / b[0] for b in own])
    log_b[~still] = np.nan
    placed = _placed(
        midi.tobytes(), log_b.tobytes(), log_b_sd.tobytes(), tuning, spec.capo, not spec.strings
    )
    return {
        a.measured.id: guess if held else StringGuess()
        for a, guess, held in zip(aimed, placed, still, strict=True)
    }


@lru_cache(maxsize=_STEMS_KEPT)
def _placed(
    midi: bytes, log_b: bytes, log_b_sd: bytes, tuning: tuple[int, ...], capo: int, assumed: bool
) -> tuple[StringGuess, ...]:
    """`place_notes`, kept: each round of a plan asks again, and edits leave notes on their strings.

    midi : int64; log_b, log_b_sd : float64
    """
    of = np.frombuffer(midi, np.int64), np.frombuffer(log_b), np.frombuffer(log_b_sd)
    return tuple(place_notes(*of, tuning, capo, assumed=assumed))


def place_notes(
    midi: NDArray[np.int64],
    log_b: Floats,
    log_b_sd: Floats,
    tuning: Sequence[int],
    capo: int = 0,
    *,
    assumed: bool = False,
) -> list[StringGuess]:
    """Place notes on strings by pitch and stiffness.

    midi : (n,) the note that sounds, semitones
    log_b, log_b_sd : (n,) ln B and its standard deviation, NaN where it is not known
    tuning : open strings as MIDI notes, without the capo, each once
    capo : fret it sits at, 0 without
    assumed : whether nobody has said that this is the tuning; then nothing is firm by pitch alone

    Returns one per note. A note that a single string can reach is on that string.
    """
    opened = np.array(sorted(tuning))
    frets = midi[:, None] - opened
    reach = (frets >= capo) & (frets <= FRETS)
    known = np.isfinite(log_b) & reach.any(axis=1)
    share = np.zeros(reach.shape)
    proven = np.zeros(reach.shape, dtype=bool)
    if known.sum() >= _LEAST_NOTES:
        place = log_b[known] - midi[known] * _PER_SEMITONE
        share[known], proven[known] = _shares(
            midi[known], place, log_b_sd[known], reach[known], opened
        )
    guesses = []
    for k, can in enumerate(reach):
        if not can.any():
            guesses.append(StringGuess())
            continue
        best = int(np.argmax(np.where(can, share[k], -1.0)))
        told: Told = "" if not known[k] else "not told apart"
        if can.sum() == 1:
            told = "fair" if assumed else "firm"
        elif share[k, best] >= _FAIR:
            told = "firm" if share[k, best] >= _FIRM and proven[k, best] else "fair"
        if told in ("firm", "fair"):
            fret = int(frets[k, best])
            called = called_string(int(opened[best]), tuning)
            guesses.append(
                StringGuess(string_midi=int(opened[best]), called=called, fret=fret, told=told)
            )
        else:
            guesses.append(StringGuess(told=told))
    return guesses


def _own_b(measured: MeasuredNote) -> tuple[float, float] | None:
    m = measured.measurement
    if m.inharmonicity_b is None or m.inharmonicity_b_uncertainty is None:
        return None
    return m.inharmonicity_b, m.inharmonicity_b_uncertainty


def _held_still(measured: MeasuredNote) -> bool:
    """Whether a note stays near one pitch: the stiffness of a bent string belongs to no fret."""
    contour = measured.measurement.contour_hz
    heard = contour[np.isfinite(contour)] if contour is not None else np.empty(0)
    if len(heard) < 4:
        return True
    low, high = np.percentile(heard, (10.0, 90.0))
    return bool(1200.0 * np.log2(high / low) <= _BENT_CENTS)


def _shares(
    midi: NDArray[np.int64],
    place: Floats,
    own_sd: Floats,
    reach: NDArray[np.bool_],
    opened: NDArray[np.int64],
) -> tuple[Floats, NDArray[np.bool_]]:
    """Belief in each string for each note (n, strings), and where every rival has been heard.

    One normal distribution a string, with the usual B of such a string as its loose prior, and a
    few strays. Several namings of the gatherings are tried and weighed by their evidence (Laplace's
    approximation; D. MacKay, Information Theory, Inference, and Learning Algorithms, 2003, ch. 27).
    """
    usual = np.interp(opened, _USUAL_MIDI, np.log(_USUAL_B)) - opened * _PER_SEMITONE
    # Chosen: from some hundreds, evenly along the law, strings are learned as well as from all.
    some = np.argsort(place, kind="stable")[:: -(-len(place) // _LEARNED_FROM)]
    tried = []
    for law_sd in _LAW_SDS:
        few = _Places(place[some], np.hypot(law_sd, own_sd[some]), reach[some])
        tried.append((law_sd, *_climb(_starts(few, usual), few, usual)))
    law_sd, centre, doubt, mix, evidence = max(tried, key=lambda t: (float(t[4].max()), t[0]))
    every = _Places(place, np.hypot(law_sd, own_sd), reach)
    alike: set[tuple[float, ...]] = set()
    weight = np.exp(evidence - evidence.max())
    for k in np.argsort(-evidence, kind="stable"):
        name = tuple(np.round(centre[k], 1))
        weight[k] = 0.0 if name in alike else weight[k]
        alike.add(name)
    weight /= weight.sum()
    told = weight > 1e-6
    weight, centre, doubt, mix = weight[told], centre[told], doubt[told], mix[told]
    share = np.einsum("k,knj->nj", weight, _belief(every.joint(centre, doubt, mix)))
    tight = _belief(every.joint(centre, np.minimum(doubt, law_sd**2), mix))
    off = ((place[None, :, None] - centre[:, None, :]) / every.spread[None, :, None]) ** 2
    follows = float(weight @ tight.sum(axis=(1, 2)))
    misfit = float(weight @ (tight * off).sum(axis=(1, 2))) / max(follows, 1e-9)
    if (
        follows < _LAW_SHARE * len(place)
        or misfit > _LAW_MISFIT
        or not _law_seen(midi, np.einsum("k,knj->nj", weight, tight))
    ):
        return np.zeros(reach.shape), np.zeros(reach.shape, dtype=bool)
    heard = (share >= _SURE).sum(axis=0) >= _KNOWN_NOTES
    far = np.abs(place[:, None] - usual) > _RIVAL_OUT_SDS * _USUAL_SD
    settled = ~reach | heard | far
    proven = np.zeros(reach.shape, dtype=bool)
    for j in range(reach.shape[1]):
        proven[:, j] = heard[j] & np.delete(settled, j, axis=1).all(axis=1)
    return share, proven


def _law_seen(midi: NDArray[np.int64], share: Floats) -> bool:
    """Whether strings sound at several pitches: a string for every pitch would fit anything."""
    own = share.argmax(axis=1)
    sure = share.max(axis=1) >= 0.5
    places = set(zip(own[sure].tolist(), midi[sure].tolist(), strict=True))
    return len(places) >= _PLACES_A_STRING * len(set(own[sure].tolist()))


def _starts(notes: _Places, usual: Floats) -> Floats:
    """Where to look from (starts, strings): each string at the usual, or at one of the gatherings.

    String after string, keeping the likeliest.
    """
    peaks = _peaks(notes.place)
    # Strings err alone: what the first ones make of the notes is kept, and the next one's added.
    mix = np.full((1, len(usual)), 1.0 / len(usual))
    at_usual = notes.joint(usual[None, :], np.full((1, len(usual)), _USUAL_SD**2), mix)[0]
    kept, fits, explained = np.zeros((1, 0)), np.zeros(1), np.full((1, len(notes.place)), _STRAY)
    for j in range(len(usual)):
        near = peaks[np.abs(peaks - usual[j]) <= 3.5 * _USUAL_SD]
        centre = np.append(usual[j], near)
        own = np.repeat(usual[None, :], len(centre), axis=0)
        own[:, j] = centre
        drawn = notes.joint(own, np.full(own.shape, _EXACT_SD**2), mix)[:, :, j]
        drawn[0] = at_usual[:, j]
        # A string drawn to a gathering pays for being that exact.
        pays = 0.5 * ((centre - usual[j]) / _USUAL_SD) ** 2
        pays[1:] += np.log(_USUAL_SD / _EXACT_SD)
        shape = len(kept), len(centre)
        kept = np.column_stack([np.repeat(kept, shape[1], axis=0), np.tile(centre, shape[0])])
        fits = np.subtract.outer(fits, pays).ravel()
        explained = (explained[:, None] + drawn).reshape(len(kept), -1)
        rest = at_usual[:, j + 1 :].sum(axis=1)
        best = np.argsort(-fits - np.log(explained + rest).sum(axis=1), kind="stable")[:_BEAM]
        kept, fits, explained = kept[best], fits[best], explained[best]
    return kept[:_MODES]


def _peaks(place: Floats) -> Floats:
    """Where notes gather: middles of groups without a gap, the largest first."""
    ordered = np.sort(place)
    groups = np.split(ordered, np.flatnonzero(np.diff(ordered) > _GAP) + 1)
    pieces: list[Floats] = []
    for group in groups:
        # A group wider than one string's scatter may hold two strings: look at its ends too.
        wide = group[-1] - group[0] > 2.0 * _GAP
        pieces += np.array_split(group, 3) if wide and len(group) >= 3 else [group]
    pieces.sort(key=lambda g: (-len(g), float(g[0])))
    return np.array([float(np.median(g)) for g in pieces[:_MOST_PEAKS]])


def _climb(centre: Floats, notes: _Places, usual: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Expectation and maximisation from each start: centres, their variances, shares, evidence."""
    doubt = np.where(centre == usual, _USUAL_SD**2, _EXACT_SD**2)
    mix = np.full(centre.shape, 1.0 / len(usual))
    exactly = np.zeros_like(doubt)
    for _ in range(_ROUNDS):
        # The mean of the logarithm over what the centre may be (mean field): a string that was not
        # played is left where it is, instead of being drawn to another's notes.
        near = np.exp(-0.5 * doubt[:, None, :] / notes.spread[None, :, None] ** 2)
        belief = _belief(notes.joint(centre, exactly, mix) * near)
        weight = belief / notes.spread[:, None] ** 2
        total = weight.sum(axis=1) + 1.0 / _USUAL_SD**2
        centre = ((weight * notes.place[:, None]).sum(axis=1) + usual / _USUAL_SD**2) / total
        doubt = 1.0 / total + _LEAN_SD**2
        mix = (belief.sum(axis=1) + 1.0) / (belief.sum(axis=(1, 2)) + len(usual))[:, None]
    fits = notes.likelihood(centre, exactly, mix)
    fits -= 0.5 * (((centre - usual) / _USUAL_SD) ** 2).sum(axis=1)
    fits += 0.5 * np.log(doubt / _USUAL_SD**2).sum(axis=1)
    return centre, doubt, mix, fits
