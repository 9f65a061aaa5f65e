"""Goes over the measured notes and says what looks odd about a part, or the whole song."""

from collections.abc import Iterator
from statistics import median

import numpy as np

from planner.inspect.inspection_one_source import one_source_findings
from planner.inspect.inspection_roles import exchanged_roles
from planner.inspect.inspection_tuning import (
    ENOUGH_NOTES,
    centre_cents,
    deviations,
    pitches_of,
    tuning_findings,
)
from planner.model import (
    FIXED_ROLES,
    HARMONIC_ROLES,
    ONLY_BLEED,
    SILENT_DBFS,
    Finding,
    SessionA4,
    StemNotes,
)
from planner.pitch import hz_to_midi, note_name
from planner.words.roles import chords_written_as, is_chordal
from planner.words.session_model import Session
from planner.words.spread import spread_of
from planner.words.wording import amount, percent

_CORRECTED_CENTS = 1.0
_LOW_ROLES = frozenset({"bass-fretted", "bass-fretless"})
_MIDDLE_C = 60
# Keys of three made pianos sound within 0.1 cent each time; voice, bow and strings, read as keys,
# within 2.5 to 12 (tests/sessions/random_session.py, seeds 61003 to 61005). Chosen between.
_KEY_SPREAD_CENTS, _TIMES_A_KEY = 3.0, 3
# Of recorded single lines 0.96 and more, of speech 0.93, of the same pianos read as a line 0.82 to
# 0.85. Chosen between; fewer notes or seconds may be one odd sound.
_LINE_STRENGTH, _LINE_NOTES, _LINE_S = 0.9, 4, 4.0
# Of recorded lines, speech and a piano's line notes are found in 0.86 and more of the loud time, of
# double stops in 0.74, of stacked voices in half, of a mix and a drum in 0.03 and 0.25.
_LINE_FOUND = 0.7
# In ten invented guitar lines heard as chords two notes sound at once in 1 to 16 % of the time, in
# struck chords in all of it (random sessions 50001-50006 and 50510-50513). Chosen between.
_CHORDS_SHARE = 0.3
_TICK_S = 0.12  # chosen: longer sounds are notes
_TICK_SPREAD_S = 0.002  # chosen: no player keeps every beat within 2 ms


def inspect_notes(
    session: Session,
    stems: tuple[StemNotes, ...],
    *,
    scored: frozenset[str] = frozenset(),
    a4: SessionA4 | None = None,
) -> tuple[Finding, ...]:
    """Say what the notes show: tuning of the whole song, odd parts, likely mistakes.

    scored: codes of stems whose score says which notes were meant.
    a4: where the song stands, as far as that was found.
    """
    used = [each for each in stems if each.role != "exclude"]
    ticks = {each.code for each in used if _tick_s(each) is not None}
    found: list[Finding] = []
    exchanged = exchanged_roles([each for each in used if each.code not in ticks])
    found += exchanged
    for each in used:
        found += _click(each)
        if each.code not in ticks:
            if each.code not in {one.stem for one in exchanged}:
                found += _register(each)
            found += _moving_keys(each)
            found += _no_notes(each)
            found += _several_at_once(each)
            found += _one_at_a_time(each)
            found += _small_part(each)
    tuned = [
        (each, centre)
        for each in used
        if each.code not in ticks and each.role != "drum-tones"
        for centre in [centre_cents(session, each)]
        if centre is not None
    ]
    found += tuning_findings(session, tuned, used, scored, a4)
    found += one_source_findings(used)
    for each, centre in tuned:
        found += _already_corrected(each, session, centre)
    return tuple(found)


def _already_corrected(stem: StemNotes, session: Session, centre: float) -> Iterator[Finding]:
    # Of fretted and keyed instruments steady tuning is no surprise: only free pitch tells.
    if stem.role not in HARMONIC_ROLES and stem.role != "bass-fretless":
        return
    away = (deviations(session, stem) - centre + 50) % 100 - 50
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
    pitches = pitches_of(stem)
    if stem.role not in _LOW_ROLES or len(pitches) < ENOUGH_NOTES:
        return
    middle = round(hz_to_midi(median(pitches)))
    if middle >= _MIDDLE_C:
        yield Finding(
            severity="question",
            what=f"{stem.code} is marked {stem.role}, and its notes lie around "
            f"{note_name(middle)}, above what a bass plays: really?",
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
    for hz in pitches_of(stem):
        semitones = hz_to_midi(hz)
        of_key.setdefault(round(semitones), []).append(100.0 * semitones)
    apart = [hz - median(own) for own in of_key.values() if len(own) >= _TIMES_A_KEY for hz in own]
    if len(apart) < ENOUGH_NOTES:
        return
    spread = spread_of(apart, 0.0)
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


def _no_notes(stem: StemNotes) -> Iterator[Finding]:
    """A part that sounds, and in which nothing was heard as a note; bleed is told elsewhere."""
    silent = stem.facts is None or stem.facts.peak_dbfs < SILENT_DBFS
    if stem.notes or silent or any(told.about == ONLY_BLEED for told in stem.findings):
        return
    yield Finding(
        severity="warning",
        what=f"{stem.code} is marked {stem.role}, and no notes were found in it.",
        did="Nothing of it is planned.",
        advice="If it holds no pitches, give it the role exclude; if it does, listen whether the "
        "right file is named.",
        stem=stem.code,
    )


def _several_at_once(stem: StemNotes) -> Iterator[Finding]:
    """A single-line part whose notes hardly repeat with their pitch, or are few: chords?"""
    if is_chordal(stem) or stem.role == "drum-tones" or not stem.notes:
        return
    length_s = sum(n.note.length_s for n in stem.notes)
    strength = sum(n.note.strength * n.note.length_s for n in stem.notes) / length_s
    enough = len(stem.notes) >= _LINE_NOTES and length_s >= _LINE_S
    if enough and round(strength, 2) < _LINE_STRENGTH:
        sign = (
            f"only {percent(strength)} of its notes' sound repeats with their pitch, where single "
            "lines reach 96 %"
        )
    elif stem.found_in is not None and round(stem.found_in, 2) < _LINE_FOUND:
        sign = (
            f"notes were found in only {percent(stem.found_in)} of the time in which it is loud, "
            "where single lines reach 86 %"
        )
    else:
        return
    yield Finding(
        severity="question",
        what=f"{stem.code} is marked {stem.role}, and {sign}: do several notes sound at once?",
        did=f"Judged as {stem.role}, one note at a time: many notes may be missing.",
        advice=f"For chords write {chords_written_as(stem.role)}; noise or another player in the "
        "stem does this too.",
        stem=stem.code,
        # A driven part that plays chords keeps its role.
        asks="several notes at once" if stem.role in HARMONIC_ROLES else "role of several at once",
    )


def _one_at_a_time(stem: StemNotes) -> Iterator[Finding]:
    """A guitar marked as chords that plays a line: as chords, no single note of it is edited."""
    if stem.role != "fretted-chords" or len(stem.notes) < ENOUGH_NOTES:
        return
    share = _share_together(stem)
    if round(share, 2) >= _CHORDS_SHARE:
        return
    yield Finding(
        severity="question",
        what=f"{stem.code} is marked {stem.role}, and two notes sound at once in only "
        f"{percent(share)} of its time: is it a line?",
        did=f"Judged as {stem.role}: only the part as a whole may be moved, no single note.",
        advice="For a line write fretted as its role.",
        stem=stem.code,
        asks="role of one at a time",
    )


def _share_together(stem: StemNotes) -> float:
    """Of the time in which a stem sounds, how much has two notes or more at once."""
    starts = np.sort([n.note.start_s for n in stem.notes])
    ends = np.sort([n.note.end_s for n in stem.notes])
    edges_s = np.unique([starts, ends])
    begun = np.searchsorted(starts, edges_s[:-1], side="right")
    sounding = begun - np.searchsorted(ends, edges_s[:-1], side="right")
    lasts_s = np.diff(edges_s)
    return float(lasts_s[sounding >= 2].sum() / lasts_s[sounding >= 1].sum())


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
