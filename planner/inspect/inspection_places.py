"""Goes over where notes lie: a double that begins elsewhere, a tempo map that the music leaves."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from planner.model import HARMONIC_ROLES, Finding, StemNotes
from planner.pitch import hz_to_midi
from planner.timeline import TempoMap
from planner.words.session_model import Session
from planner.words.wording import place

_ENOUGH_NOTES = 12  # chosen: fewer fit at some lag by chance
_TOGETHER_S = 0.06  # chosen: two who sing together begin within this
_MOST_LATE_S = 30.0  # chosen: files begin bars apart, not minutes
_FITS, _DOES_NOT_FIT = 0.6, 0.3  # chosen: shares of the double's notes
_WINDOW_BARS = 8  # chosen: a phrase or two, with enough struck notes to agree
_AGREE = 0.6  # chosen: length of the circular mean; below, nobody plays to this grid
_MISFIT_S = 0.06  # chosen: swung eighths up to 60 a minute look less far off the beat than this


def inspect_places(
    session: Session, stems: Sequence[StemNotes], tempo_map: TempoMap | None
) -> tuple[Finding, ...]:
    """Say where notes lie oddly in time; positions are changed by nobody."""
    return (*_late_doubles(session, stems, tempo_map), *_map_misfit(session, stems, tempo_map))


def _starts(stem: StemNotes, session: Session) -> tuple[list[float], list[int]]:
    """Starts on the session's clock, s, and the nearest notes."""
    spec = next(spec for spec in session.stems if spec.code == stem.code)
    late_s = spec.late_by_ms / 1000.0
    return (
        [one.note.start_s - late_s for one in stem.notes],
        [round(hz_to_midi(one.note.pitch_hz)) for one in stem.notes],
    )


def _late_doubles(
    session: Session, stems: Sequence[StemNotes], tempo_map: TempoMap | None
) -> Iterator[Finding]:
    by_code = {stem.code: stem for stem in stems}
    for spec in session.stems:
        double, lead = by_code.get(spec.code), by_code.get(spec.sung_with or "")
        if double is None or lead is None or spec.role != "voice-double":
            continue
        late_s = _lag_s(*_starts(double, session), *_starts(lead, session))
        if late_s is None:
            continue
        bars = ""
        if tempo_map is not None:
            first_s = min(one.note.start_s for one in double.notes)
            bar, _ = tempo_map.bar_beat(first_s)
            bar_s = tempo_map.seconds_at(bar + 1) - tempo_map.seconds_at(bar)
            whole = round(late_s / bar_s)
            if whole and abs(late_s - whole * bar_s) <= _TOGETHER_S:
                bars = f" ({abs(whole)} bar{'s' if abs(whole) > 1 else ''})"
        yield Finding(
            severity="question",
            what=f"{spec.code} starts {abs(late_s):.3f} s{bars} {'late' if late_s > 0 else 'early'}"
            f" against the notes of {lead.code}.",
            did="Nothing was shifted: it was measured and compared where it lies.",
            advice="Export it from the common start, or write its late_by_ms or start_sample.",
            stem=spec.code,
        )


def _lag_s(
    start_s: list[float], midi: list[int], other_s: list[float], other_midi: list[int]
) -> float | None:
    """By how much one list of notes fits the other better late, s; None where it fits as it is."""
    if len(start_s) < _ENOUGH_NOTES or len(other_s) < _ENOUGH_NOTES:
        return None
    by_note: defaultdict[int, list[float]] = defaultdict(list)
    for at_s, note in zip(other_s, other_midi, strict=True):
        by_note[note].append(at_s)
    # Each pair of equal notes speaks for one lag; the true one is spoken for by most notes.
    apart = [
        at_s - other
        for at_s, note in zip(start_s, midi, strict=True)
        for other in by_note[note]
        if abs(at_s - other) <= _MOST_LATE_S
    ]
    votes = Counter(round(lag / _TOGETHER_S) for lag in apart)
    if not votes:
        return None
    near = [lag for lag in apart if abs(lag - max(votes, key=lambda k: (votes[k], -abs(k)))
                                        * _TOGETHER_S) <= _TOGETHER_S]  # fmt: skip
    lag_s = float(np.median(near))
    fits = _share(start_s, midi, by_note, lag_s)
    as_it_is = _share(start_s, midi, by_note, 0.0)
    return lag_s if fits >= _FITS and as_it_is <= _DOES_NOT_FIT else None


def _share(
    start_s: list[float], midi: list[int], by_note: dict[int, list[float]], lag_s: float
) -> float:
    """Share of notes that begin together with one of the same name once moved by the lag."""
    together = sum(
        any(abs(at_s - lag_s - other) <= _TOGETHER_S for other in by_note.get(note, ()))
        for at_s, note in zip(start_s, midi, strict=True)
    )
    return together / len(start_s)


def _map_misfit(
    session: Session, stems: Sequence[StemNotes], tempo_map: TempoMap | None
) -> Iterator[Finding]:
    """Where struck notes leave the beats of the map: by a constant, or more and more."""
    if tempo_map is None:
        return
    struck_s = sorted(
        at_s
        for stem in stems
        if stem.role not in HARMONIC_ROLES and stem.role != "exclude"
        for at_s, one in zip(_starts(stem, session)[0], stem.notes, strict=True)
        if one.note.begins == "attack"
    )
    windows = _windows(struck_s, tempo_map)
    if not windows:
        return
    # Off a grid of half beats, a distance is known up to half a beat: neighbours say which.
    turn = np.unwrap([angle for _, angle, _ in windows]) / (2 * np.pi)
    off_s = turn * np.array([half_beat_s for _, _, half_beat_s in windows])
    worst = int(np.argmax(np.abs(off_s)))
    if abs(off_s[worst]) < _MISFIT_S:
        return
    if float(np.ptp(off_s)) < _MISFIT_S:
        size_s = float(np.median(off_s))
        where = "throughout"
        advice = "Export the map again, or correct bar_one_at."
    else:
        size_s = float(off_s[worst])
        bar = windows[worst][0]
        where = f"from {place(bar, None, tempo_map.seconds_at(bar))} on, and not as much elsewhere"
        advice = "Was the timing edited after the map was exported, or played without it?"
    side = "after" if size_s > 0 else "before"
    yield Finding(
        severity="question",
        what=f"struck notes lie {abs(size_s) * 1000:.0f} ms {side} the beats of the tempo map "
        f"{where}.",
        did="Seconds and samples are right; bars, beats and the guide follow the map as given.",
        advice=advice,
    )


def _windows(struck_s: list[float], tempo_map: TempoMap) -> list[tuple[int, float, float]]:
    """Per eight bars: the first bar, the angle off the half beats, and a half beat in s."""
    if not struck_s:
        return []
    first, last = (tempo_map.bar_beat(at_s)[0] for at_s in (struck_s[0], struck_s[-1]))
    at = np.array(struck_s)
    windows = []
    for bar, end in pairwise(range(first, last + _WINDOW_BARS + 1, _WINDOW_BARS)):
        inside = at[(at >= tempo_map.seconds_at(bar)) & (at < tempo_map.seconds_at(end))]
        beats = [tempo_map.bar_beat(float(at_s), decimals=6)[1] for at_s in inside]
        if len(beats) < _ENOUGH_NOTES:
            continue
        mean = np.mean(np.exp(4j * np.pi * np.array(beats)))
        if abs(mean) < _AGREE:
            continue
        half_beat_s = tempo_map.seconds_at(bar, 1.5) - tempo_map.seconds_at(bar)
        windows.append((bar, float(np.angle(mean)), half_beat_s))
    return windows
