"""Where the session's A4 really stands, and how far the reference stretches its octaves.

The notes of each stem are fitted by themselves (`planner.target.a4_fit`). Here it is chosen whose
A4 holds, which semitone is meant, and what there is to tell or to ask about it.
"""

import re

import numpy as np

from planner.model import ABOUT_ALL, FIXED_ROLES, Finding, SessionA4, StemNotes
from planner.pitch import STANDARD_A4_HZ, cents, shift_hz
from planner.read.guess import guess_from_name
from planner.target.a4_fit import Array, Reading, apart_cents, folded_cents, reading_of, stretch_of
from planner.target.majority import AGREE_CENTS, Majority, majority_of
from planner.targets import temperament_offsets
from planner.words.session_model import Session, StemSpec
from planner.words.wording import count, flat_or_sharp

TYPED_APART_CENTS = 3.0  # chosen: the job's own bound for shouting about a typed A4
_MISFIT_CENTS, _FITS_BETTER = 2.0, 0.5  # chosen: plainly off, and equal twice as near
# Fixed instruments in the order in which others are held against them, by the codes that
# `planner.read.guess` gives them; common practice, no source: acoustic piano, organ, mallets,
# reeds, electric.
_PRECEDENCE = ("PNO", "ORG", "MAL", "PAN", "HPS", "ACC", "EP", "KEY", "TOY")
FOLD_EDGE_CENTS = 42.0  # chosen: beyond, a semitone too low or too high cannot be told


def find_session_a4(session: Session, stems: tuple[StemNotes, ...]) -> SessionA4:
    """Find the session's A4, in Hz, with its uncertainty in cents and the reference's stretch.

    A typed `a4_hz` wins and decides which semitone is meant; a difference of more than 3 cents
    from what was measured is a question. Without one, A4 is the one nearest 440 Hz. With no usable
    reference the majority of the pitched stems is asked, and the reader is asked to confirm; with
    nothing at all 440 Hz is assumed and said so (ISO 16:1975).
    """
    offsets = np.array(temperament_offsets(session))
    near, findings = _near_by_temperament(session, stems, offsets)
    by_code = {
        # Keys are tuned with stretched octaves. By what the registers of other instruments differ
        # is how their strings and players stand.
        stem.code: reading_of(stem.notes, offsets, near, stretches=stem.role in FIXED_ROLES)
        for stem in stems
    }
    reading, found_from = None, "assumed"
    code = session.reference_from
    if code and code != "majority":
        reading, found_from = by_code.get(code), f"stem {code}"
        if reading is None:
            findings.append(_not_usable(code, code in by_code))
    wanted = code == "majority" or (bool(code) and reading is None)
    if reading is None and (wanted or (code is None and session.a4_hz is None)):
        level = {
            stem.code: reading_of(stem.notes, offsets, near, stretches=False)
            if stem.role in FIXED_ROLES
            else by_code[stem.code]
            for stem in stems
        }
        majority = majority_of(stems, level, near)
        if majority is not None:
            reading, found_from = majority.reading, f"majority of {', '.join(majority.agreeing)}"
            findings.append(_asked_majority(majority))
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
        stretch=stretch_of(reading, measured_hz),
        findings=tuple(findings),
    )


def _near_cents(session: Session) -> float:
    """Where A4 is looked for, within a semitone: the typed one, or 440 Hz moved with the song."""
    if session.a4_hz is not None:
        return cents(session.a4_hz, STANDARD_A4_HZ)
    return session.whole_song_offset_cents


def _near_by_temperament(
    session: Session, stems: tuple[StemNotes, ...], offsets: Array
) -> tuple[float, list[Finding]]:
    """Where A4 is looked for: a semitone off, where only there the reference keeps the temperament.

    An unequal one lies on other keys there; an equal one is alike everywhere.
    """
    near = _near_cents(session)
    notes = next((s.notes for s in stems if s.code == session.reference_from), ())
    if session.temperament == "equal" or session.a4_hz is not None:
        return near, []
    found = {at: reading_of(notes, offsets, at) for at in (near, near - 100.0, near + 100.0)}
    off = {at: _mean_off_cents(reading) for at, reading in found.items()}
    best, *others = sorted(off, key=lambda at: off[at])
    kept, plainly = found[best], off[best] <= _FITS_BETTER * min(off[at] for at in others)
    if best == near or kept is None or off[best] >= _MISFIT_CENTS or not plainly:
        return near, []
    there = f"A4 = {shift_hz(STANDARD_A4_HZ, kept.offset_cents):.1f} Hz"
    finding = Finding(
        severity="question",
        what=f"The temperament {session.temperament_said} fits {session.reference_from} with "
        f"{there}, where its notes lie {off[best]:.1f} cents off on average, and not with the A4 "
        "nearest 440 Hz, where they lie more than twice as far.",
        did=f"{there} was used: every note is called by it.",
        advice="Type a4_hz in the session file to say which.",
        about=ABOUT_ALL,
    )
    return best, [finding]


def _mean_off_cents(reading: Reading | None) -> float:
    """How far notes lie from their temperament on average, those left out of a fit as well.

    Two keys of a meantone lie elsewhere a whole tone away, and all others as before. Infinite where
    the notes agree on no A4.
    """
    if reading is None:
        return np.inf
    away = folded_cents(reading.off - reading.offset_cents)
    return float(np.average(np.abs(away), weights=reading.weight))


def _asked_majority(found: Majority) -> Finding:
    """Say where each part stands, so that a person can tell which of them to believe."""
    a4_hz = shift_hz(STANDARD_A4_HZ, found.reading.offset_cents)
    ordered = sorted(found.asked, key=lambda part: (abs(round(part[1], 1)), part[0]))
    places = "; ".join(f"{code} {flat_or_sharp(apart)}" for code, apart in ordered)
    others = f" Doubles were not asked: {', '.join(found.doubles)}." if found.doubles else ""
    if found.not_read:
        others += f" Too few notes agree in {', '.join(found.not_read)}."
    return Finding(
        severity="question",
        what=f"Nothing fixed was named as pitch reference. {len(found.agreeing)} of "
        f"{count(len(found.asked), 'pitched stem')} stand near A4 = {a4_hz:.1f} Hz, each having "
        f"one voice; the middle of each one's held notes is, against it: {places}.{others}",
        did="Their common A4 was used, without any octave stretch.",
        advice="Confirm it, name a reference stem, or type a4_hz.",
        about=ABOUT_ALL,
    )


def _resolve(reading: Reading, session: Session, near: float) -> tuple[float, list[Finding]]:
    """Choose the semitone: the A4 nearest the typed one, or nearest 440 Hz."""
    near_hz = shift_hz(STANDARD_A4_HZ, near)
    off = near + apart_cents(reading.offset_cents, near)
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
    """Say which fixed instrument the others are held against: its names' place in the order."""
    codes = (guess_from_name(name).code for name in (spec.code, spec.file))
    letters = {re.sub(r"\d+[LR]?$", "", code) for code in codes}  # of PNO, PNO2, PNOL
    places = (k for k, kind in enumerate(_PRECEDENCE) if letters & {kind, kind + "L", kind + "R"})
    return min(places, default=len(_PRECEDENCE))


def _misfit(
    session: Session, stems: tuple[StemNotes, ...], reading: Reading, found_from: str
) -> list[Finding]:
    """Tell of a temperament that the reference itself does not keep."""
    if session.temperament == "equal":
        return []
    notes = tuple(n for s in stems if found_from == f"stem {s.code}" for n in s.notes)
    equal = reading_of(notes, np.zeros(12), _near_cents(session))
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
    by_code: dict[str, Reading | None],
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
        apart = round(apart_cents(second.offset_cents, first.offset_cents), 1)
        doubt = float(np.hypot(first.uncertainty_cents, second.uncertainty_cents))
        if abs(apart) <= max(AGREE_CENTS, 2.0 * doubt):
            continue
        side = "sharp" if apart > 0 else "flat"
        findings.append(
            Finding(
                severity="question" if abs(apart) > 8.0 else "warning",
                what=f"{other} stands {abs(apart):.1f} cents {side} of {fixed[0]}; neither can be "
                "moved afterwards.",
                advice=f"If {other} has a tuning control, tune it at the source and print it "
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
