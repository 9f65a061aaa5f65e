"""Goes over the measured notes and says what looks odd about a part, or the whole song."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

import numpy as np
from numpy.typing import NDArray

from planner.inspection_one_source import one_source_findings
from planner.model import FIXED_ROLES, HARMONIC_ROLES, Finding, StemNotes
from planner.pitch import STANDARD_A4_HZ, cents, hz_to_midi, note_name
from planner.roles import is_chordal
from planner.session_model import Session
from planner.wording import amount, flat_or_sharp, percent

ENOUGH_NOTES = 12  # chosen: fewer say nothing about how a part is tuned
AGREE_CENTS = 5.0  # chosen: parts of one band tuned together agree within this
OFF_CENTS = 3.0  # chosen: below it, "the whole song is off" is no news
RATE_SLIP_CENTS = cents(48000, 44100) - 100  # 46.7 beyond a semitone: 146.7 in all
PULL_DOWN_CENTS = cents(1001, 1000)  # 1.73: picture at 24 or 24/1.001 frames a second
_SLIP_WITHIN_CENTS = 4.0  # a band at 441 instead of 440 Hz stands 3.9 off as well
_SLIP_LENGTH_SHARE = 0.005  # chosen: ends are trimmed by less than this of a song
_HALFWAY_CENTS = 10.0  # chosen: this near to 50, the next note is as likely as this one
_CORRECTED_CENTS = 1.0
_LOW_ROLES = frozenset({"bass-fretted", "bass-fretless"})
_MIDDLE_C = 60
# Keys of three made pianos sound within 0.1 cent each time; voice, bow and strings, read as keys,
# within 2.5 to 12 (tests/sessions/random_session.py, seeds 61003 to 61005). Chosen between.
_KEY_SPREAD_CENTS, _TIMES_A_KEY = 3.0, 3
# Of recorded single lines 0.96 and more, of speech 0.93, of the same pianos read as a line 0.82 to
# 0.85. Chosen between; fewer notes or seconds may be one odd sound.
_LINE_STRENGTH, _LINE_NOTES, _LINE_S = 0.9, 4, 4.0
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
            found += _several_at_once(each)
            found += _small_part(each)
    tuned = [
        (each, centre)
        for each in used
        if each.code not in ticks and each.role != "drum-tones"
        for centre in [_centre_cents(session, each)]
        if centre is not None
    ]
    found += _whole_song(tuned, session)
    found += one_source_findings(used)
    for each, centre in tuned:
        others = [other for one, other in tuned if one is not each]
        slipped = list(_slipped(each, centre, others, used))
        found += slipped
        if each.code not in scored and not slipped:
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
    if abs(abs(off) - RATE_SLIP_CENTS) > _SLIP_WITHIN_CENTS:
        return ""
    whole = 100 + RATE_SLIP_CENTS
    return f"if {amount(whole)} cents in all, 44.1 and 48 kHz were taken for each other"


def _slipped(
    stem: StemNotes, centre: float, others: Sequence[float], stems: Sequence[StemNotes]
) -> Iterator[Finding]:
    """One stem that stands off the others as 44.1 kHz taken for 48 does, whatever their A4."""
    if len(others) < 2:
        return
    home = float(np.angle(np.mean(np.exp(2j * np.pi * np.array(others) / 100)))) * 100 / (2 * np.pi)
    apart = (centre - home + 50) % 100 - 50
    agree = sum(abs((other - home + 50) % 100 - 50) <= AGREE_CENTS for other in others)
    if 2 * agree <= len(others) or not _rate_slip(apart):
        return
    longest_s = max((s.facts.length_s for s in stems if s.facts is not None), default=0.0)
    length = ""
    if stem.facts is not None and longest_s:
        ratio = stem.facts.length_s / longest_s
        if min(abs(ratio * r - 1.0) for r in (48000 / 44100, 44100 / 48000)) <= _SLIP_LENGTH_SHARE:
            length = ", and its length differs from the longest stem's in the same proportion"
    yield Finding(
        severity="question",
        what=f"{stem.code} lies {amount(apart)} cents off the others: {_rate_slip(apart)}{length}.",
        did="Measured as it is, against the nearest notes.",
        advice="Compare the rate in the file with the rate of the recording.",
        stem=stem.code,
    )


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
            asks="role of a low part",
        )


def _moving_keys(stem: StemNotes) -> Iterator[Finding]:
    """Keys of an instrument that nobody can move, and yet each sounds now here, now there."""
    if stem.role not in FIXED_ROLES:
        return
    of_key: dict[int, list[float]] = {}
    for hz in _pitches(stem):
        semitones = hz_to_midi(hz)
        of_key.setdefault(round(semitones), []).append(100.0 * semitones)
    apart = [hz - median(own) for own in of_key.values() if len(own) >= _TIMES_A_KEY for hz in own]
    if len(apart) < ENOUGH_NOTES:
        return
    spread = 1.4826 * float(np.median(np.abs(apart)))
    if round(spread, 1) < _KEY_SPREAD_CENTS:
        return
    yield Finding(
        severity="question",
        what=f"{stem.code} is marked {stem.role}, and the same key sounds now here, now there, by "
        f"{amount(spread)} cents either way ({len(apart)} notes): really?",
        did=f"Judged as {stem.role}: nothing in it is moved.",
        advice="Keys do not do this, though a rotary effect or bellows may; correct the role in "
        "the session file if it is a voice, a string or a wind.",
        stem=stem.code,
        asks="role of moving keys",
    )


def _several_at_once(stem: StemNotes) -> Iterator[Finding]:
    """A single-line part whose notes hardly repeat with their pitch: chords, perhaps."""
    if is_chordal(stem.role) or stem.role == "drum-tones":
        return
    length_s = sum(n.note.length_s for n in stem.notes)
    if len(stem.notes) < _LINE_NOTES or length_s < _LINE_S:
        return
    strength = sum(n.note.strength * n.note.length_s for n in stem.notes) / length_s
    if round(strength, 2) >= _LINE_STRENGTH:
        return
    yield Finding(
        severity="question",
        what=f"{stem.code} is marked {stem.role}, and only {percent(strength)} of its notes' sound "
        "repeats with their pitch, where single lines reach 96 %: do several notes sound at once?",
        did=f"Judged as {stem.role}, one note at a time: many notes may be missing.",
        advice="For chords write fretted-chords, fixed-pitch or bowed-group as its role; noise or "
        "another player in the stem does this too.",
        stem=stem.code,
        asks="role of several at once",
    )


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
            asks="role of a click",
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
