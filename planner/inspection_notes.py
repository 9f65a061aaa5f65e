"""Goes over the measured notes and says what looks odd about a part, or the whole song."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from statistics import median

import numpy as np
from numpy.typing import NDArray

from planner.expression import wobbles
from planner.model import FIXED_ROLES, HARMONIC_ROLES, Finding, MeasuredNote, StemNotes
from planner.pitch import STANDARD_A4_HZ, cents, hz_to_midi, note_name
from planner.session_model import Session
from planner.wording import amount, flat_or_sharp

ENOUGH_NOTES = 12  # chosen: fewer say nothing about how a part is tuned
AGREE_CENTS = 5.0  # chosen: parts of one band tuned together agree within this
OFF_CENTS = 3.0  # chosen: below it, "the whole song is off" is no news
RATE_SLIP_CENTS = cents(48000, 44100) - 100  # 46.7 beyond a semitone: 146.7 in all
PULL_DOWN_CENTS = cents(1001, 1000)  # 1.73: picture at 24 or 24/1.001 frames a second
_HALFWAY_CENTS = 10.0  # chosen: this near to 50, the next note is as likely as this one
_CORRECTED_CENTS = 1.0
_LOW_ROLES = frozenset({"bass-fretted", "bass-fretless"})
_MIDDLE_C = 60
_SWING_CENTS = 10.0  # common practice, no source: less is no vibrato
_SWING_SHARE = 0.3  # chosen: strings of a key that beat look like a slow swing now and then
# Chosen: two players never agree so; two microphones of one do, and copies.
_SAME_SHARE, _SAME_START_S, _SAME_CENTS, _SAME_DB = 0.9, 0.003, 1.0, 1.0
_TICK_S = 0.12  # chosen: longer sounds are notes
_TICK_SPREAD_S = 0.002  # chosen: no player keeps every beat within 2 ms


def inspect_notes(
    session: Session, stems: tuple[StemNotes, ...], *, scored: frozenset[str] = frozenset()
) -> tuple[Finding, ...]:
    """Say what the notes show: tuning of the whole song, odd parts, likely mistakes.

    scored: codes of stems whose score says which notes were meant.
    """
    used = [each for each in stems if each.role != "exclude"]
    ticks = {each.code for each in used if _tick_s(each) is not None}
    found: list[Finding] = []
    for each in used:
        found += _click(each)
        if each.code not in ticks:
            found += _register(each)
            found += _moving_keys(each)
            found += _small_part(each)
    tuned = [
        (each, centre)
        for each in used
        if each.code not in ticks and each.role != "drum-tones"
        for centre in [_centre_cents(session, each)]
        if centre is not None
    ]
    found += _whole_song(tuned, session)
    found += _same_notes(used)
    for each, centre in tuned:
        if each.code not in scored:
            found += _between(each, centre)
        found += _already_corrected(each, session, centre)
    return tuple(found)


def _pitches(stem: StemNotes) -> list[float]:
    """Give the frequencies of the notes that were measured well enough to argue from."""
    return [
        hz
        for each in stem.notes
        if each.measurement.confidence in ("firm", "fair")
        for hz in [each.measurement.heard_hz or each.measurement.sustain_hz]
        if hz is not None
    ]


def _deviations(session: Session, stem: StemNotes) -> NDArray[np.float64]:
    """Give how far each note lies from equal temperament at home, in cents of -50 to 50."""
    a4 = session.a4_hz or STANDARD_A4_HZ
    away = [100 * hz_to_midi(hz, a4) - session.whole_song_offset_cents for hz in _pitches(stem)]
    return np.asarray([(each + 50) % 100 - 50 for each in away], dtype=np.float64)


def _centre_cents(session: Session, stem: StemNotes) -> float | None:
    """Give a stem's common deviation, or None where its notes have none in common.

    The mean of angles, one turn to a semitone (N. I. Fisher, Statistical Analysis of Circular
    Data, 1993, section 2.3), so that 49 sharp and 49 flat are neighbours.
    """
    away = _deviations(session, stem)
    if len(away) < ENOUGH_NOTES:
        return None
    mean = np.exp(2j * np.pi * away / 100).mean()
    if abs(mean) < 0.7:  # chosen: about 13 cents of spread; beyond it a mean tells nothing
        return None
    return float(np.angle(mean) * 100 / (2 * np.pi))


def _whole_song(tuned: list[tuple[StemNotes, float]], session: Session) -> Iterator[Finding]:
    if len(tuned) < 2:
        return
    turn = [np.exp(2j * np.pi * centre / 100) for _, centre in tuned]
    off = float(np.angle(np.mean(turn)) * 100 / (2 * np.pi))
    if any(abs((centre - off + 50) % 100 - 50) > AGREE_CENTS for _, centre in tuned):
        return
    did = "Counted as home: nothing is proposed for it."
    if session.a4_hz is not None:  # a typed A4 is where home is, wherever the band stood
        did = f"Judged against the A4 in the session file, {session.a4_hz:g} Hz."
    slip = _rate_slip(off)
    if slip:
        yield Finding(
            severity="question",
            what=f"every stem is off by {amount(off)} cents from the nearest notes: {slip}.",
            did=did,
            advice="Compare the rate in the files with the rate of the recording.",
        )
    elif abs(off) > OFF_CENTS:
        yield Finding(
            severity="question",
            what=f"every stem is about {flat_or_sharp(off)}: tape speed, or tuned so?",
            did=did,
            advice="If the band tuned so, write the A4 in the session file.",
        )
    elif abs(abs(off) - PULL_DOWN_CENTS) < 0.3 and all(
        abs(centre - off) < 0.3 for _, centre in tuned
    ):
        yield Finding(
            severity="note",
            what=f"every stem is {flat_or_sharp(off)}, alike within 0.3 cents: it looks like a "
            "0.1 % change of speed for picture.",
            did=did,
            advice="Ask whether the song went through a picture session.",
        )


def _rate_slip(off: float) -> str:
    if abs(abs(off) - RATE_SLIP_CENTS) > 1.5:  # chosen: tuning by ear is no closer
        return ""
    whole = 100 + RATE_SLIP_CENTS
    return f"if {amount(whole)} cents in all, 44.1 and 48 kHz were taken for each other"


def _between(stem: StemNotes, centre: float) -> Iterator[Finding]:
    if 50 - abs(centre) > _HALFWAY_CENTS:
        return
    slip = _rate_slip(centre)
    yield Finding(
        severity="question",
        what=f"{stem.code} lies {amount(centre)} cents from the nearest notes: nearly halfway, so "
        "which notes were meant cannot be told" + (f"; {slip}." if slip else "."),
        did="Measured against the nearest notes.",
        advice="Say which notes were meant (a score), or check the file's rate and speed.",
        stem=stem.code,
    )


def _already_corrected(stem: StemNotes, session: Session, centre: float) -> Iterator[Finding]:
    # Of fretted and keyed instruments steady tuning is no surprise: only free pitch tells.
    if stem.role not in HARMONIC_ROLES and stem.role != "bass-fretless":
        return
    away = (_deviations(session, stem) - centre + 50) % 100 - 50
    share = float((np.abs(away) <= _CORRECTED_CENTS).mean())
    if share >= 0.9:  # chosen: nobody sings or bows nine notes of ten within a cent
        yield Finding(
            severity="warning",
            what=f"{stem.code}: {round(100 * share)} % of its notes land within 1 cent of the "
            "grid: it looks already corrected.",
            did="Measured as it is.",
            advice="Ask for the part as recorded; further edits may fight the first.",
            stem=stem.code,
        )


def _register(stem: StemNotes) -> Iterator[Finding]:
    pitches = _pitches(stem)
    if stem.role not in _LOW_ROLES or len(pitches) < ENOUGH_NOTES:
        return
    middle = round(hz_to_midi(median(pitches)))
    if middle >= _MIDDLE_C:
        yield Finding(
            severity="question",
            what=f"{stem.code} is marked {stem.role}, its median note is {note_name(middle)}: "
            "really?",
            did=f"Judged as {stem.role}.",
            advice="Correct the role in the session file if it is wrong.",
            stem=stem.code,
        )


def _moving_keys(stem: StemNotes) -> Iterator[Finding]:
    """Notes of an instrument that nobody can move, and yet they swing: perhaps a voice or a bow."""
    if stem.role not in FIXED_ROLES:
        return
    measured = [n.measurement for n in stem.notes if n.measurement.confidence in ("firm", "fair")]
    swing = [
        m for m in measured
        if (m.vibrato_half_cents or 0.0) > _SWING_CENTS and not wobbles(m)
    ]  # fmt: skip
    if len(measured) < ENOUGH_NOTES or len(swing) < _SWING_SHARE * len(measured):
        return
    yield Finding(
        severity="question",
        what=f"{stem.code} is marked {stem.role}, and {len(swing)} of its {len(measured)} measured "
        "notes swing as in vibrato: really?",
        did=f"Judged as {stem.role}: nothing in it is moved.",
        advice="A rotary or tremolo effect printed on keys does this too; correct the role in the "
        "session file if it is a voice, a bow or a wind.",
        stem=stem.code,
    )


def _same_notes(stems: Sequence[StemNotes]) -> Iterator[Finding]:
    """Two stems whose notes agree to the millisecond and the cent: one recording, saved twice."""
    for first, second in combinations(stems, 2):
        ours, theirs = first.notes, second.notes
        same_file = (
            first.facts is not None
            and second.facts is not None
            and first.facts.sha256 == second.facts.sha256
        )
        few = min(len(ours), len(theirs)) < ENOUGH_NOTES
        # The same file is told by its sum; a programmed part may well be doubled by another sound.
        if same_file or few or len(ours) != len(theirs) or "sampled" in (first.role, second.role):
            continue
        pairs = list(zip(ours, theirs, strict=True))
        apart_db = np.array([a.note.level_db - b.note.level_db for a, b in pairs])
        off_db = float(np.median(np.abs(apart_db - np.median(apart_db))))
        alike = sum(_alike(a, b) for a, b in pairs)
        if alike >= _SAME_SHARE * len(ours) and off_db <= _SAME_DB:
            yield Finding(
                severity="question",
                what=f"{first.code} and {second.code} hold the same {len(ours)} notes to the "
                "millisecond and the cent: the same recording twice?",
                did="Each was measured as a part of its own.",
                advice="Two microphones of one source are one stem with the other file under "
                "linked, so that they move together; of a copy, take one out.",
                stem=second.code,
            )


def _alike(a: MeasuredNote, b: MeasuredNote) -> bool:
    one, other = a.measurement.heard_hz, b.measurement.heard_hz
    if one is None or other is None:
        return one is other
    near = abs(a.note.start_s - b.note.start_s) <= _SAME_START_S
    return near and abs(cents(one, other)) <= _SAME_CENTS


def _small_part(stem: StemNotes) -> Iterator[Finding]:
    if stem.facts is None or not stem.notes or stem.facts.length_s < 30:
        return
    starts = min(each.note.start_s for each in stem.notes)
    ends = max(each.note.end_s for each in stem.notes)
    if (ends - starts) / stem.facts.length_s < 0.1:  # chosen: less than a tenth surprises
        yield Finding(
            severity="note",
            what=f"{stem.code} has music only from {starts:.1f} s to {ends:.1f} s "
            f"of {stem.facts.length_s:.1f} s: expected?",
            did="Measured there.",
            advice="If more was played, export the stem again.",
            stem=stem.code,
            at_s=starts,
        )


def _click(stem: StemNotes) -> Iterator[Finding]:
    every = _tick_s(stem)
    if every is not None:
        yield Finding(
            severity="question",
            what=f"{stem.code} ticks regularly, {60 / every:.1f} times a minute: a click?",
            did="Left out of what is said about the song's tuning.",
            advice="If it is a click, give it the role exclude.",
            stem=stem.code,
        )


def _tick_s(stem: StemNotes) -> float | None:
    """Give the spacing of a stem that ticks: short, even, on one or two pitches, 32 or more."""
    notes = stem.notes
    if len(notes) < 32 or any(each.note.length_s > _TICK_S for each in notes):
        return None
    if len({round(hz_to_midi(each.note.pitch_hz)) for each in notes}) > 2:
        return None
    gaps = np.diff(sorted(each.note.start_s for each in notes))
    every = float(np.median(gaps))
    even = np.abs(gaps - every) <= _TICK_SPREAD_S
    return every if every > 0 and float(even.mean()) >= 0.95 else None
