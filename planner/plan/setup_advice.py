"""What about the instrument may lie behind errors of strings and frets; what speaks against it.

Each pattern is told with the notes that show it and with those that do not; it is about the
instrument as it stood that day. The patterns are common practice, no source, as are their sizes;
a fretted note varies by 2 cents from player to player anyway (R. M. Mottola's measurements).
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from planner.decide.pushed_pitch import LevelSlope, level_slope
from planner.model import Finding
from planner.scope.strings import StringGuess, tuning_of
from planner.targets import Aimed
from planner.words.session_model import StemSpec
from planner.words.wording import amount, count, flat_or_sharp, listed

_TOLD_CENTS = 3.0  # under the wander of one fretted note nothing is told
_SURE_SDS = 3.0  # and nothing that is not so many standard errors from none
_LOW_FRETS = (1, 2, 3)
_HIGH_FROM = 5  # past the reach of the nut
_NOTES = 2  # of a string, on either side of a comparison
_FRET_STRINGS = 3
_FRET_CENTS = 5.0
_OCTAVE_CENTS = 5.0  # by which a string leaves its pitch over twelve frets
_OCTAVE_FRETS, _OCTAVE_SPAN = 4, 5
_STRING_NOTES = 5
_PARTIALS_CENTS = 8.0
_START_CENTS, _SETTLE_S = 8.0, 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fretted:
    """A note whose string and fret are told."""

    string: int  # open note, MIDI
    called: str
    fret: int
    error_cents: float  # of the sustain
    level_db: float
    midi: int
    partials_cents: float | None
    start_cents: float | None  # onset against sustain
    settle_s: float | None


# Sentences: what the notes show, with what speaks against it; and what may help.
Patterns = Iterator[tuple[str, str]]


def setup_findings(
    aimed: Iterable[Aimed], strings: Mapping[str, StringGuess], spec: StemSpec
) -> tuple[Finding, ...]:
    """Look for what a fret, the nut, the saddle, a capo, the hand or the strings do to pitch.

    Only notes with a sustain and a told string count. Errors of a fret are taken against the same
    string's other notes, so that a string out of tune is none of the patterns.
    """
    every = tuple(aimed)
    if not strings:
        return ()
    tuning = tuning_of(spec.role, spec)
    notes = [_fretted(a, strings[a.measured.id]) for a in every if _usable(a, strings)]
    below = sum(a.target.intended_midi < tuning[0] for a in every)
    said: list[tuple[str, str]] = []
    if below > len(every) / 50 and not spec.strings:
        what = (
            f"{count(below, 'note')} of {spec.code} lie below the lowest string of standard "
            "tuning, so no string was guessed."
        )
        advice = "Write its open strings into the session file, as in strings: [D2, A2, D3, ...]."
        said.append((what, advice))
    if spec.role != "bass-fretless":  # there the finger, and no fret or nut, sets the pitch
        nut = list(_nut(notes))
        past_nut = bool(nut)
        said += [*nut, *_grip(notes), *_single_frets(notes, past_nut=past_nut)]
        said += [*_hand(notes), *_saddle(notes, past_nut=past_nut)]
    said += [*_capo(notes, spec), *_worn(notes), *_slow_starts(notes)]
    return tuple(
        Finding(severity="note", what=what, advice=advice, stem=spec.code) for what, advice in said
    )


def _usable(a: Aimed, strings: Mapping[str, StringGuess]) -> bool:
    guess = strings.get(a.measured.id)
    return a.sustain_cents is not None and guess is not None and guess.string_midi is not None


def _fretted(a: Aimed, guess: StringGuess) -> _Fretted:
    assert a.sustain_cents is not None
    assert guess.string_midi is not None
    assert guess.fret is not None
    m = a.measured.measurement
    return _Fretted(
        string=guess.string_midi,
        called=guess.called,
        fret=guess.fret,
        error_cents=a.sustain_cents,
        level_db=a.measured.note.level_db,
        midi=a.target.intended_midi,
        partials_cents=m.partials_cents,
        start_cents=None if a.onset_cents is None else a.onset_cents - a.sustain_cents,
        settle_s=m.settle_s,
    )


def _by_string(notes: Iterable[_Fretted]) -> dict[int, list[_Fretted]]:
    of: dict[int, list[_Fretted]] = {}
    for n in notes:
        of.setdefault(n.string, []).append(n)
    return dict(sorted(of.items()))


def _mean_cents(notes: Iterable[_Fretted]) -> float:
    return float(np.mean([n.error_cents for n in notes]))


def _mean_of(by_string: Mapping[str, float]) -> float:
    return float(np.mean(list(by_string.values())))


def _apart(
    notes: list[_Fretted], low: set[int], high: set[int], *, there_notes: int = _NOTES
) -> dict[str, float]:
    """How much sharper some frets of each string are than some others: name -> cents."""
    found = {}
    for own in _by_string(notes).values():
        here = [n for n in own if n.fret in low]
        there = [n for n in own if n.fret in high]
        if len(here) >= _NOTES and len(there) >= there_notes:
            found[own[0].called] = _mean_cents(here) - _mean_cents(there)
    return found


def _agree(values: Iterable[float], least: float, strings: int) -> bool:
    """Whether enough strings say the same, on one side, far enough and surely enough."""
    v = np.array(list(values))
    if len(v) < strings:
        return False
    middle = float(v.mean())
    doubt = float(v.std(ddof=1)) / len(v) ** 0.5 if len(v) > 1 else 0.0
    same = bool((np.sign(v) == np.sign(middle)).all())
    return same and round(abs(middle), 1) >= least and abs(middle) >= _SURE_SDS * doubt


def _nut(notes: list[_Fretted]) -> Patterns:
    frets = {n.fret for n in notes}
    high = {f for f in frets if f >= _HIGH_FROM}
    found = _apart(notes, set(_LOW_FRETS), high | {0})
    if not _agree(found.values(), _TOLD_CENTS, 2) or _mean_of(found) < 0:
        return
    if any(n.fret == 0 for n in notes):
        opened = _apart(notes, set(_LOW_FRETS), {0}, there_notes=1)
        if opened and not _agree(opened.values(), _TOLD_CENTS, 1):
            return  # the open strings are as sharp, and no nut stops those
        against = "the open strings do not share it"
    else:
        against = "no open string was heard that could speak for or against it"
    what = (
        f"Frets 1 to 3 come out {amount(_mean_of(found))} sharper than the "
        f"rest on the {listed(found)} strings; {against}."
    )
    yield what, "The nut may stand a little high; a firm grip near it does the same."


def _grip(notes: list[_Fretted]) -> Patterns:
    """Low frets that go sharper the louder they are played: the hand, where the rest does not."""
    low = _slope(n for n in notes if n.fret in _LOW_FRETS)
    rest = _slope(n for n in notes if n.fret not in _LOW_FRETS)
    if low is None or not low.sure or low.cents_per_db < 0:
        return
    shown = (
        f"Frets 1 to 3 come out sharper the louder they are played, by "
        f"{amount(low.over_range_cents)} from the soft to the loud notes "
        f"({count(low.notes, 'note')} over {low.range_db:.0f} dB)"
    )
    if rest is None:
        against = "open strings and higher frets were not heard loud and soft enough to compare"
    elif rest.sure and rest.cents_per_db >= 0.5 * low.cents_per_db:
        what = (
            f"{shown}, and so do the others, by {amount(rest.over_range_cents)}: that is the "
            "stroke rather than the grip."
        )
        yield what, "Heavier strings or a lighter stroke would keep loud notes in tune."
        return
    else:
        against = "open strings and higher frets do not go with level as much"
    what = f"{shown}; {against}."
    advice = "A firm grip near the nut does this: a lighter hand there, or lighter strings."
    yield what, advice


def _slope(notes: Iterable[_Fretted]) -> LevelSlope | None:
    every = list(notes)
    # Each fret of a string against itself, so that neither setup nor tuning is taken for the hand.
    own: dict[tuple[int, int], list[_Fretted]] = {}
    for n in every:
        own.setdefault((n.string, n.fret), []).append(n)
    kept = [n for group in own.values() if len(group) >= _NOTES for n in group]
    middle = {key: _mean_cents(group) for key, group in own.items()}
    usual_db = {key: float(np.mean([n.level_db for n in group])) for key, group in own.items()}
    return level_slope(
        [n.level_db - usual_db[n.string, n.fret] for n in kept],
        [n.error_cents - middle[n.string, n.fret] for n in kept],
        [float(n.midi) for n in kept],
    )


def _single_frets(notes: list[_Fretted], *, past_nut: bool) -> Patterns:
    for fret in sorted({n.fret for n in notes} - {0}):
        if past_nut and fret in _LOW_FRETS:
            continue
        off = {}
        for own in _by_string(notes).values():
            here = [n for n in own if n.fret == fret]
            rest = [n for n in own if n.fret != fret and not (past_nut and n.fret in _LOW_FRETS)]
            if here and len(rest) >= _NOTES:
                off[own[0].called] = _mean_cents(here) - _mean_cents(rest)
        if _agree(off.values(), _FRET_CENTS, _FRET_STRINGS):
            beside = [n.fret for n in notes if abs(n.fret - fret) == 1]
            against = (
                "the frets beside it were heard too and do not stand out with it"
                if beside
                else "the frets beside it were not heard, so it may be that whole region"
            )
            what = (
                f"Fret {fret} comes out {flat_or_sharp(_mean_of(off))} of the "
                f"other frets on the {listed(off)} strings; {against}."
            )
            yield what, "That fret may be worth a look: its height, or its crown."


def _hand(notes: list[_Fretted]) -> Patterns:
    frets = {n.fret for n in notes}
    found = _apart(notes, {f for f in frets if f >= _HIGH_FROM - 1}, {0})
    if not _agree(found.values(), _TOLD_CENTS, 2) or _mean_of(found) < 0:
        return
    what = (
        f"Stopped notes, also past the fourth fret, come out "
        f"{amount(_mean_of(found))} sharper than the open ones on the "
        f"{listed(found)} strings; open strings let down a little would show the same."
    )
    yield what, "Tall frets, high strings or a firm grip: lighter strings or touch may help."


def _saddle(notes: list[_Fretted], *, past_nut: bool) -> Patterns:
    for own in _by_string(notes).values():
        kept = [n for n in own if n.fret and not (past_nut and n.fret in _LOW_FRETS)]
        fret = np.array([n.fret for n in kept], dtype=float)
        error = np.array([n.error_cents for n in kept])
        if len(set(fret)) < _OCTAVE_FRETS or np.ptp(fret) < _OCTAVE_SPAN:
            continue
        slope, level = np.polyfit(fret, error, 1)
        left = error - (slope * fret + level)
        spread = float(np.sqrt(left @ left / max(len(kept) - 2, 1)))
        doubt = max(spread, 1.0) / float(np.sqrt(((fret - fret.mean()) ** 2).sum()))
        octave = 12.0 * float(slope)
        if round(abs(octave), 1) < _OCTAVE_CENTS or abs(slope) < _SURE_SDS * doubt:
            continue
        grows, way = ("sharper", "back") if octave > 0 else ("flatter", "forward")
        what = (
            f"The {own[0].called} string grows {grows} up the neck, by {amount(octave)} over "
            f"twelve frets (heard at frets {fret.min():.0f} to {fret.max():.0f}); a string that "
            "is only out of tune would be off alike everywhere."
        )
        advice = f"Its saddle may want to sit a little further {way}; an old string does the same."
        yield what, advice


def _capo(notes: list[_Fretted], spec: StemSpec) -> Patterns:
    if not spec.capo:
        return
    middles = {
        own[0].called: float(np.median([n.error_cents for n in own]))
        for own in _by_string(notes).values()
        if len(own) >= _NOTES
    }
    if not _agree(middles.values(), _TOLD_CENTS, _FRET_STRINGS) or min(middles.values()) < 0:
        return
    what = (
        f"With the capo at fret {spec.capo} the {listed(middles)} strings all sit sharp, "
        f"{amount(_mean_of(middles))} on the whole; a tuner set to another "
        "reference would show the same."
    )
    yield what, "Tuning once more with the capo on, and setting it close to the fret, helps."


def _worn(notes: list[_Fretted]) -> Patterns:
    apart = {
        own[0].called: float(np.median(np.abs(heard)))
        for own in _by_string(notes).values()
        if len(heard := [n.partials_cents for n in own if n.partials_cents is not None])
        >= _STRING_NOTES
    }
    worn = {name: c for name, c in apart.items() if round(c, 1) > _PARTIALS_CENTS}
    if not worn:
        return
    rest = {name: c for name, c in apart.items() if name not in worn}
    against = (
        f"on the {listed(rest)} strings they agree within {amount(max(rest.values()))}"
        if rest
        else "no other string was heard enough to compare"
    )
    what = (
        f"Partials of the {listed(worn)} {'string' if len(worn) == 1 else 'strings'} disagree by "
        f"{amount(max(worn.values()))} cents; {against}."
    )
    yield what, "Old or uneven strings do this, and no edit mends it: a fresh one would."


def _slow_starts(notes: list[_Fretted]) -> Patterns:
    for own in _by_string(notes).values():
        heard = [
            (n.start_cents, n.settle_s) for n in own if n.start_cents is not None and n.settle_s
        ]
        if len(heard) < _STRING_NOTES:
            continue
        start, settle_s = (float(v) for v in np.median(np.array(heard), axis=0))
        if round(start, 1) >= _START_CENTS and round(settle_s, 2) >= _SETTLE_S:
            what = (
                f"Notes of the {own[0].called} string start {amount(start)} above where they "
                f"settle and take {settle_s:.2f} s; long notes are not harmed by it."
            )
            yield what, "A brand new or light string, or one struck hard, does this."
