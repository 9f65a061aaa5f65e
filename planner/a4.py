"""Where the session's A4 really stands, and how far the reference stretches its octaves.

Every measured first partial says how far it lies from its nearest note of the temperament. That is
known only modulo a semitone, so the fold is opened first with a circular mean; then one robust fit
finds the offset at A4 together with a smooth stretch that is held to zero around A4, so that the
stretch never moves A4.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.guess import guess_from_name
from planner.model import ABOUT_ALL, FIXED_ROLES, Finding, MeasuredNote, SessionA4, StemNotes
from planner.pitch import A4_MIDI, STANDARD_A4_HZ, cents, hz_to_midi, shift_hz
from planner.session_model import Session, StemSpec
from planner.temperament import temperament_cents

Array = NDArray[np.float64]

FEWEST_NOTES = 3  # chosen: fewer prove nothing about an instrument
WORST_CENTS = 8.0  # chosen: a less certain note is not asked
OWN_SPREAD_CENTS = 1.0  # chosen: even a well-kept piano's notes scatter so much
TYPED_APART_CENTS = 3.0  # chosen: the job's own bound for shouting about a typed A4
_MISFIT_CENTS, _FITS_BETTER = 2.0, 0.5  # chosen: plainly off, and equal twice as near
STEMS_AGREE_CENTS = 4.0  # common practice, no source: fixed instruments this close are accepted
MAJORITY_CENTS = 6.0  # chosen: stems this close to the common middle belong to the majority
# Fixed instruments in the order in which others are held against them, by the codes that
# `planner.guess` gives them; common practice, no source: acoustic piano, organ, mallets, reeds,
# electric.
_PRECEDENCE = ("PNO", "ORG", "MAL", "PAN", "HPS", "ACC", "EP", "KEY", "TOY")
FOLD_EDGE_CENTS = 42.0  # chosen: beyond, a semitone too low or too high cannot be told
LEAST_CONCENTRATION = 0.35  # chosen: length of the circular mean; below, the notes do not agree
# How far each knee of the stretch may be expected to bend, in cents: bass below A2, treble above A5
# (typical piano against equal: A1 -8, A7 +12..+25; common practice, no source).
BEND_CENTS = (8.0, 3.0, 4.0, 12.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Reading:
    """The notes of one or more stems, folded onto one semitone and fitted."""

    offset_cents: float  # of A4 from 440 Hz
    uncertainty_cents: float
    bends: Array  # (4,)
    notes_used: int
    midi: Array  # (k,) intended notes of those used
    spread_cents: float
    agree: float  # 0..1, length of the circular mean


def find_session_a4(session: Session, stems: tuple[StemNotes, ...]) -> SessionA4:
    """Find the session's A4, in Hz, with its uncertainty in cents and the reference's stretch.

    A typed `a4_hz` wins and decides which semitone is meant; a difference of more than 3 cents
    from what was measured is a question. Without one, A4 is the one nearest 440 Hz. With no usable
    reference the majority of the pitched stems is asked, and the reader is asked to confirm; with
    nothing at all 440 Hz is assumed and said so (ISO 16:1975).
    """
    offsets = _offsets(session)
    near = _near_cents(session)
    by_code = {stem.code: _reading(stem.notes, offsets, near) for stem in stems}
    findings: list[Finding] = []
    reading, found_from = None, "assumed"
    code = session.reference_from
    if code and code != "majority":
        reading, found_from = by_code.get(code), f"stem {code}"
        if reading is None:
            findings.append(_not_usable(code, code in by_code))
    wanted = code == "majority" or (bool(code) and reading is None)
    if reading is None and (wanted or (code is None and session.a4_hz is None)):
        reading, found_from, told = _majority(stems, by_code, offsets, near)
        findings += told
    if reading is None:
        return _without_reading(session, findings)
    measured_hz, told = _resolve(reading, session, near)
    findings += told
    findings += _disagreements(session, stems, by_code, code)
    findings += _misfit(session, stems, reading, found_from)
    a4_hz = measured_hz
    if session.a4_hz is not None:
        a4_hz = session.a4_hz
        findings += _typed_apart(session.a4_hz, measured_hz, reading.uncertainty_cents, found_from)
        found_from = "typed"
    findings += _whole_song(session, a4_hz)
    return SessionA4(
        a4_hz=a4_hz,
        measured_hz=measured_hz,
        uncertainty_cents=reading.uncertainty_cents,
        found_from=found_from,
        notes_used=reading.notes_used,
        stretch=_stretch(reading, measured_hz),
        findings=tuple(findings),
    )


def _offsets(session: Session) -> Array:
    """Twelve offsets from equal temperament, C first, in cents, A = 0."""
    table = (
        session.temperament_table
        if session.temperament == "table"
        else temperament_cents(session.temperament)
    )
    values = np.asarray(table, dtype=float)
    return np.asarray(values - values[9])


def _near_cents(session: Session) -> float:
    """Where A4 is looked for, within a semitone: the typed one, or 440 Hz moved with the song."""
    if session.a4_hz is not None:
        return cents(session.a4_hz, STANDARD_A4_HZ)
    return session.whole_song_offset_cents


def _reading(notes: tuple[MeasuredNote, ...], offsets: Array, near: float) -> _Reading | None:
    """Fit A4's offset and the stretch to the notes of one stem; None where too few are usable."""
    rows = [
        (m.sustain_hz, m.uncertainty_cents, n.note.length_s)
        for n in notes
        if (m := n.measurement).sustain_hz is not None
        and m.uncertainty_cents is not None
        and m.uncertainty_cents <= WORST_CENTS
        and m.confidence in ("firm", "fair")
    ]
    if len(rows) < FEWEST_NOTES:
        return None
    f_hz, sd, length_s = np.array(rows, dtype=float).T
    sd = np.hypot(sd, OWN_SPREAD_CENTS)
    # a long note is heard longer, but does not know its pitch better in proportion
    weight = np.sqrt(np.clip(length_s, 0.1, 2.0)) / sd**2
    place = np.array([hz_to_midi(float(f)) for f in f_hz])
    # A pitch class's own offset is known only once its name is; names follow from the fold, so
    # every fold is tried in turn and the tightest kept.
    folds = [_fold(place, weight, offsets, near, turn) for turn in range(-50, 50, 10)]
    middle, agree = max(folds, key=lambda fold: fold[1])
    if agree < LEAST_CONCENTRATION:
        return None
    midi, off = _named(place, middle, offsets)
    return _fit(midi, off, sd, weight, agree)


def _named(place: Array, middle: float, offsets: Array) -> tuple[Array, Array]:
    """Name each note for an A4 that lies `middle` cents off, and give its deviation, cents."""
    midi = np.rint(place - middle / 100.0)
    off = 100.0 * (place - midi) - offsets[midi.astype(int) % 12]
    return midi, off


def _fold(
    place: Array, weight: Array, offsets: Array, near: float, turn: float
) -> tuple[float, float]:
    """Circular mean of the deviations modulo 100 cents, and its length (0..1)."""
    middle, length = near + turn, 0.0
    for _ in range(4):
        _, off = _named(place, middle, offsets)
        mean = np.sum(weight * np.exp(2j * np.pi * off / 100.0)) / weight.sum()
        folded = float(np.angle(mean)) * 100.0 / (2 * np.pi)
        middle, length = near + _apart(folded, near), float(np.abs(mean))
    return middle, length


def _knees(midi: Array) -> Array:
    """Smooth bends of the stretch, 0 at A4: below A2, A2 to A4, A4 to A5, above A5; (k, 4)."""
    x = (midi - A4_MIDI) / 12.0
    return np.stack(
        [
            -(np.maximum(-2.0 - x, 0.0) ** 2),
            -(np.clip(-x, 0.0, 2.0) ** 2) / 4.0,
            np.clip(x, 0.0, 1.0) ** 2,
            np.maximum(x - 1.0, 0.0) ** 2,
        ],
        axis=1,
    )


def _fit(midi: Array, off: Array, sd: Array, weight: Array, agree: float) -> _Reading:
    """Fit offset and bends by reweighted least squares (Huber 1964, from memory), bends shrunk."""
    columns = np.concatenate([np.ones((len(midi), 1)), _knees(midi)], axis=1)
    shrink = np.diag([0.0, *(1.0 / np.array(BEND_CENTS) ** 2)])
    share = weight / weight.mean()
    trust = np.ones(len(midi))
    solved = np.zeros(5)
    solved[0] = float(np.median(off))
    scale = 1.0
    inverse = np.eye(5)
    for _ in range(12):
        rest = off - columns @ solved
        scale = max(1.4826 * float(np.median(np.abs(rest))), OWN_SPREAD_CENTS)
        pull = np.abs(rest) / np.hypot(scale, sd)
        trust = np.where(pull < 1.5, 1.0, 1.5 / np.maximum(pull, 1.5))
        trust[pull > 5.0] = 0.0  # another note, or a wrong one
        w = share * trust / scale**2
        inverse = np.linalg.inv((columns * w[:, None]).T @ columns + shrink)
        solved = inverse @ (columns.T @ (w * off))
    used = trust > 0
    # weights are uneven, so their sum counts for fewer notes than there are
    crowd = float(share[used].sum() ** 2 / (share[used] ** 2).sum()) / max(int(used.sum()), 1)
    return _Reading(
        offset_cents=float(solved[0]),
        uncertainty_cents=float(np.sqrt(inverse[0, 0] / max(crowd, 0.1))),
        bends=solved[1:],
        notes_used=int(used.sum()),
        midi=midi[used],
        spread_cents=scale,
        agree=agree,
    )


def _majority(
    stems: tuple[StemNotes, ...],
    by_code: dict[str, _Reading | None],
    offsets: Array,
    near_cents: float,
) -> tuple[_Reading | None, str, list[Finding]]:
    """Fit the stems that agree with the common middle of all pitched ones."""
    usable = [
        (stem, reading)
        for stem in stems
        if stem.role not in ("exclude", "drum-tones") and (reading := by_code[stem.code])
    ]
    if not usable:
        return None, "assumed", []

    # The middle is the stem that most others lie near, by notes.
    def near(one: _Reading) -> list[StemNotes]:
        return [
            stem
            for stem, other in usable
            if abs(_apart(other.offset_cents, one.offset_cents)) <= MAJORITY_CENTS
        ]

    centre = max(
        (reading for _, reading in usable),
        key=lambda r: (len(near(r)), sum(len(stem.notes) for stem in near(r))),
    )
    agreeing = near(centre)
    reading = _reading(tuple(n for stem in agreeing for n in stem.notes), offsets, near_cents)
    codes = ", ".join(stem.code for stem in agreeing)
    finding = Finding(
        severity="question",
        what=f"Nothing fixed was named as pitch reference; {len(agreeing)} of {len(usable)} "
        f"pitched stems agree ({codes}).",
        did="Their common A4 was used.",
        advice="Confirm it, name a reference stem, or type a4_hz.",
    )
    return reading, f"majority of {codes}", [finding]


def _apart(one_cents: float, other_cents: float) -> float:
    """Difference of two offsets that are known modulo a semitone, -50..50 cents."""
    return float((one_cents - other_cents + 50.0) % 100.0 - 50.0)


def _resolve(reading: _Reading, session: Session, near: float) -> tuple[float, list[Finding]]:
    """Choose the semitone: the A4 nearest the typed one, or nearest 440 Hz."""
    near_hz = shift_hz(STANDARD_A4_HZ, near)
    off = near + _apart(reading.offset_cents, near)
    a4_hz = shift_hz(STANDARD_A4_HZ, off)
    if abs(off - near) < FOLD_EDGE_CENTS or session.a4_hz is not None:
        return a4_hz, []
    other_hz = shift_hz(a4_hz, -100.0 if off > near else 100.0)
    finding = Finding(
        severity="question",
        what=f"A4 stands half-way between two semitones: {a4_hz:.1f} Hz, or every note is named a "
        f"semitone off and A4 is {other_hz:.1f} Hz.",
        did=f"A4 = {a4_hz:.1f} Hz was used, the nearer to {near_hz:.1f} Hz.",
        advice="Type a4_hz in the session file to say which.",
        about=ABOUT_ALL,
    )
    return a4_hz, [finding]


def _typed_apart(
    typed_hz: float, measured_hz: float, uncertainty_cents: float, found_from: str
) -> list[Finding]:
    apart = round(cents(measured_hz, typed_hz), 1)
    if abs(apart) <= TYPED_APART_CENTS:
        return []
    side = "sharp" if apart > 0 else "flat"
    return [
        Finding(
            severity="question",
            what=f"A4 was typed as {typed_hz:.1f} Hz, but {found_from} stands at "
            f"{measured_hz:.1f} Hz, {abs(apart):.1f} cents {side} of it "
            f"(give or take {max(uncertainty_cents, 0.1):.1f}).",
            did="The typed A4 was used.",
            advice="If everyone played to that recording, take a4_hz out of the session file.",
            about=ABOUT_ALL,
        )
    ]


def _precedence(spec: StemSpec) -> int:
    """Say which fixed instrument the others are held against, by what its names call it."""
    kinds = [_kind(guess_from_name(name).code) for name in (spec.code, spec.file)]
    return min(kinds)


def _kind(code: str) -> int:
    """Place a guessed code (PNO, PNO2, PNOL) in the order; the last place where it has none."""
    letters = re.sub(r"\d+[LR]?$", "", code)
    places = [k for k, kind in enumerate(_PRECEDENCE) if letters in (kind, kind + "L", kind + "R")]
    return min(places, default=len(_PRECEDENCE))


def _misfit(
    session: Session, stems: tuple[StemNotes, ...], reading: _Reading, found_from: str
) -> list[Finding]:
    """Tell of a temperament that the reference itself does not keep."""
    if session.temperament == "equal":
        return []
    notes = tuple(n for s in stems if found_from == f"stem {s.code}" for n in s.notes)
    equal = _reading(notes, np.zeros(12), _near_cents(session))
    if equal is None or equal.spread_cents > _FITS_BETTER * reading.spread_cents:
        return []
    if reading.spread_cents < _MISFIT_CENTS:
        return []
    return [
        Finding(
            severity="question",
            what=f"The temperament {session.temperament_said} does not fit {found_from}: its notes "
            f"scatter by {reading.spread_cents:.1f} cents around it, by {equal.spread_cents:.1f} "
            "around equal temperament.",
            did="It was used as written, for the A4 as well.",
            advice="Check its root, or take it out of the session file.",
        )
    ]


def _disagreements(
    session: Session,
    stems: tuple[StemNotes, ...],
    by_code: dict[str, _Reading | None],
    code: str | None,
) -> list[Finding]:
    """Tell of fixed instruments that stand apart from the reference, or from the first of them."""
    fixed = [s.code for s in stems if s.role in FIXED_ROLES and by_code[s.code] is not None]
    rank = {spec.code: _precedence(spec) for spec in session.stems}
    fixed.sort(key=lambda c: (c != code, rank.get(c, len(_PRECEDENCE)), c))
    findings: list[Finding] = []
    for other in fixed[1:]:
        first, second = by_code[fixed[0]], by_code[other]
        assert first is not None
        assert second is not None
        apart = round(_apart(second.offset_cents, first.offset_cents), 1)
        doubt = float(np.hypot(first.uncertainty_cents, second.uncertainty_cents))
        if abs(apart) <= max(STEMS_AGREE_CENTS, 2.0 * doubt):
            continue
        side = "sharp" if apart > 0 else "flat"
        findings.append(
            Finding(
                severity="question" if abs(apart) > 8.0 else "warning",
                what=f"{other} stands {abs(apart):.1f} cents {side} of {fixed[0]}; neither can be "
                "moved afterwards.",
                advice=f"If {other} has a tuning control, retune it at the source and print it "
                "again; else look where the two hold unisons.",
                stem=other,
            )
        )
    return findings


def _whole_song(session: Session, a4_hz: float) -> list[Finding]:
    """Compare a declared offset of the whole song with where A4 stands."""
    declared = session.whole_song_offset_cents
    if not declared or session.a4_hz is not None:
        return []
    home_hz = shift_hz(STANDARD_A4_HZ, declared)
    apart = round(cents(a4_hz, home_hz), 1)
    if abs(apart) <= TYPED_APART_CENTS:
        return []
    return [
        Finding(
            severity="question",
            what=f"The session file says that the whole song is {declared:+.1f} cents from "
            f"440 Hz (A4 = {home_hz:.1f} Hz), but A4 was measured at {a4_hz:.1f} Hz.",
            did="The measured A4 was used.",
            advice="Correct whole_song_offset_cents, or type a4_hz.",
        )
    ]


def _without_reading(session: Session, findings: list[Finding]) -> SessionA4:
    if session.a4_hz is not None:
        return SessionA4(a4_hz=session.a4_hz, found_from="typed", findings=tuple(findings))
    a4_hz = shift_hz(STANDARD_A4_HZ, session.whole_song_offset_cents)
    finding = Finding(
        severity="question",
        what="No stem says where A4 stands: too few steady notes could be measured.",
        did=f"A4 = {a4_hz:.1f} Hz was assumed.",
        advice="Name a reference stem (pitch_reference: from), or type a4_hz.",
    )
    return SessionA4(a4_hz=a4_hz, found_from="assumed", findings=(*findings, finding))


def _not_usable(code: str, present: bool) -> Finding:
    why = "its notes are too few or do not agree on one A4" if present else "it was not measured"
    return Finding(
        severity="warning",
        what=f"Stem {code} was named as the pitch reference, but {why}.",
        did="A typed A4 or the other stems were asked instead.",
        advice="Name another reference, or type a4_hz.",
        stem=code,
    )


def _stretch(reading: _Reading, a4_hz: float) -> tuple[tuple[int, float], ...]:
    """Publish the curve at each A and at the notes heard, within their range, cents off equal."""
    shift = round((reading.offset_cents - cents(a4_hz, STANDARD_A4_HZ)) / 100.0)
    heard = {int(m) + shift for m in reading.midi}
    every_a = {m for m in range(21, 109, 12) if min(heard) <= m <= max(heard)}
    midi = np.array(sorted(heard | every_a | {A4_MIDI}), dtype=float)
    curve = _knees(midi - shift) @ reading.bends
    if shift:  # the curve was fitted around another note; A4 itself carries none
        curve = curve - float(np.interp(A4_MIDI, midi, curve))
    return tuple((int(m), round(float(c), 2)) for m, c in zip(midi, curve, strict=True))
