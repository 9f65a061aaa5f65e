"""Goes over what is known of the stems and says what looks wrong, in words a person can act on.

Nothing here changes a position, a pitch or a file: it asks, and says what was done meanwhile.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from statistics import median

import numpy as np

from planner.model import (
    HARMONIC_ROLES,
    AudioFacts,
    Finding,
    MeasuredNote,
    Session,
    StemNotes,
    StemSpec,
)
from planner.pitch import STANDARD_A4_HZ, cents, hz_to_midi, note_name
from planner.wording import amount, flat_or_sharp

SILENT_DBFS = -70.0  # common practice, no source: below the noise of any recorded part
DC_DBFS = -45.0  # chosen: a constant part that a mixer would want to know of
SHORTER_S = 1.0  # chosen: ends are trimmed by less, a part that starts late is off by a bar
ENOUGH_NOTES = 12  # chosen: fewer say nothing about how a part is tuned
AGREE_CENTS = 5.0  # chosen: parts of one band tuned together agree within this
OFF_CENTS = 3.0  # chosen: below it, "the whole song is off" is no news
RATE_SLIP_CENTS = 1200 * math.log2(48000 / 44100) - 100  # 46.7 beyond a semitone: 146.7 in all
PULL_DOWN_CENTS = 1200 * math.log2(1001 / 1000)  # 1.73: picture at 24 or 24/1.001 frames a second
_HALFWAY_CENTS = 10.0  # chosen: this near to 50, the next note is as likely as this one
_CORRECTED_CENTS = 1.0
_LOW_ROLES = frozenset({"bass-fretted", "bass-fretless"})
_MIDDLE_C = 60
_TICK_S = 0.12  # chosen: longer sounds are notes
_TICK_SPREAD_S = 0.002  # chosen: no player keeps every beat within 2 ms


# ---------------------------------------------------------------- from facts


def inspect_facts(
    session: Session, facts: Sequence[tuple[StemSpec, AudioFacts]]
) -> tuple[Finding, ...]:
    """Say what the facts of the files show: each file by itself, then against the others."""
    found: list[Finding] = []
    for spec, fact in facts:
        found += inspect_file(spec, fact)
    found += _rates(session, facts)
    found += _lengths(session, facts)
    found += _time_stamps(facts)
    found += _same_audio(facts)
    return tuple(found)


def inspect_file(spec: StemSpec, fact: AudioFacts) -> Iterator[Finding]:
    """Say what the facts of one file show."""

    def finding(what: str, **more: str) -> Finding:
        severity = more.pop("severity", "warning")
        return Finding(severity=severity, what=what, stem=spec.code, file=fact.file, **more)  # type: ignore[arg-type]

    if spec.sha256 is not None and spec.sha256.lower() != fact.sha256.lower():
        yield finding(
            f"{spec.code} is not the file that earlier plans were made for: its contents changed.",
            severity="question",
            did="Measured as it is now.",
            advice="If the new file is meant, take the new checksum into the session file.",
        )
    if fact.peak_dbfs < SILENT_DBFS:
        yield finding(
            f"{spec.code} has nothing above {SILENT_DBFS:.0f} dBFS.",
            did="Skipped.",
            advice="Check that the right track was exported and not muted.",
        )
        return
    yield from _stereo(spec, fact)
    if fact.peak_dbfs > 0.005 and fact.subtype in ("FLOAT", "DOUBLE"):
        yield finding(
            f"{spec.code} peaks at {fact.peak_dbfs:.1f} dB over full scale, in floating point.",
            severity="note",
            did="Fine and kept: nothing is lost.",
            advice="Turn it down before writing it as 16 or 24 bit.",
        )
    if fact.flat_tops:
        places = "1 place" if fact.flat_tops == 1 else f"{fact.flat_tops} places"
        yield finding(
            f"{spec.code} has flat tops in {places}: the recording was cut off at its peak.",
            did="Measured as it is: onsets there are less sure.",
            advice="Ask whether a cleaner recording exists.",
        )
    if fact.dc_db > DC_DBFS:
        yield finding(
            f"{spec.code} has a constant offset (DC) of {fact.dc_db:.0f} dBFS.",
            severity="note",
            did="Ignored for pitch.",
            advice="Tell the mixer.",
        )


def _stereo(spec: StemSpec, fact: AudioFacts) -> Iterator[Finding]:
    used = {"left": "the left side", "right": "the right side", "mid": "the middle"}
    side = used.get(fact.measured_side, "the one side")
    both = "Any edit moves both sides together."
    told = {
        "left-only": ("warning", "the right side is silent", both),
        "right-only": ("warning", "the left side is silent", both),
        "dual-mono": ("note", "both sides are identical (dual mono)", both),
        "opposite-polarity": (
            "warning",
            "the sides are of opposite polarity: together they cancel",
            f"Check the polarity before the mix. {both}",
        ),
    }.get(fact.stereo)
    if told:
        yield Finding(
            severity="warning" if told[0] == "warning" else "note",
            what=f"{spec.code}: {told[1]}.",
            did=f"Measured {side} only.",
            advice=told[2],
            stem=spec.code,
            file=fact.file,
        )


def _rates(session: Session, facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    if not facts:
        return
    counts = Counter(fact.sr for _, fact in facts)
    # The session file decides; else the most frequent rate, the higher of two as frequent.
    home = session.rate or max(counts, key=lambda sr: (counts[sr], sr))
    for spec, fact in facts:
        if fact.sr == home:
            continue
        off = cents(home, fact.sr)
        yield Finding(
            severity="warning",
            what=f"{spec.code} is {_khz(fact.sr)}, the session {_khz(home)}.",
            did="Its times and samples use its own rate.",
            advice=f"Convert it before editing. If it was played at {_khz(home)} unconverted, "
            f"it sounded {amount(off)} cents {'high' if off > 0 else 'low'}.",
            stem=spec.code,
            file=fact.file,
        )


def _lengths(session: Session, facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    # Where a stem's start is written down, its length need not agree.
    compared = [
        (s, f)
        for s, f in facts
        if s.start_smp is None and s.late_by_ms == 0 and s.role != "exclude"
    ]
    if len(compared) < 2:
        return
    longest = max(fact.length_s for _, fact in compared)
    short = [(s, f) for s, f in compared if longest - f.length_s > SHORTER_S]
    if len(short) > len(compared) / 2:
        yield Finding(
            severity="question",
            what=f"the stems differ in length by up to "
            f"{longest - min(f.length_s for _, f in short):.1f} s.",
            did="Each was taken to start where the others start.",
            advice="If they were not all exported from one point, export them again from zero.",
        )
        return
    for spec, fact in short:
        missing_s = longest - fact.length_s
        yield Finding(
            severity="question",
            what=f"{spec.code} is {missing_s:.3f} s{_in_bars(session, missing_s)} shorter than the "
            "longest stem.",
            did="Taken to start where the others start.",
            advice="If it starts later, export it again from zero, or write its start_smp.",
            stem=spec.code,
            file=fact.file,
        )


def _in_bars(session: Session, seconds: float) -> str:
    """Say a length in bars where it is a whole number of them and the tempo never changes."""
    if len(session.tempo_marks) != 1:
        return ""
    mark = session.tempo_marks[0]
    bars = seconds / (mark.meter[0] * 4 / mark.meter[1] * 60 / mark.bpm)
    whole = round(bars)
    if whole < 1 or abs(bars - whole) > 0.02:
        return ""
    return f" ({whole} bar{'s' if whole > 1 else ''})"


def _time_stamps(facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    stamped = [
        (spec, fact, fact.time_reference_smp / fact.sr)
        for spec, fact in facts
        if fact.time_reference_smp is not None and spec.start_smp is None
    ]
    if len(stamped) < 2:
        return
    counts = Counter(round(at_s, 3) for _, _, at_s in stamped)
    # The most frequent stamp, the earliest of several as frequent.
    home = min(counts, key=lambda at_s: (-counts[at_s], at_s))
    for spec, fact, at_s in stamped:
        if abs(at_s - home) < 0.001:
            continue
        yield Finding(
            severity="question",
            what=f"the time stamp places {spec.code} at {_day_clock(at_s)}, "
            f"others at {_day_clock(home)}.",
            did="Not applied: taken to start where the others start.",
            advice=f"If the stamp is right, it starts {_later(at_s - home)}: export it again "
            "from zero, or write its start_smp.",
            stem=spec.code,
            file=fact.file,
        )


def _same_audio(facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    groups: dict[str, list[str]] = defaultdict(list)
    for spec, fact in facts:
        if spec.code not in groups[fact.sha256]:
            groups[fact.sha256].append(spec.code)
    for codes in groups.values():
        if len(codes) > 1:
            yield Finding(
                severity="question",
                what=f"{' and '.join(codes)} are identical: copied by mistake?",
                did="Each was measured as a part of its own.",
                advice="Put the right file in place, or take one out of the session file.",
                stem=codes[1],
            )


# ---------------------------------------------------------------- from notes


def inspect_notes(session: Session, stems: tuple[StemNotes, ...]) -> tuple[Finding, ...]:
    """Say what the notes show: tuning of the whole song, odd parts, likely mistakes."""
    used = [each for each in stems if each.role != "exclude"]
    ticks = {each.code for each in used if _tick_s(each) is not None}
    found: list[Finding] = []
    for each in used:
        found += _click(each)
        if each.code not in ticks:
            found += _register(each)
            found += _small_part(each)
    tuned = [
        (each, centre)
        for each in used
        if each.code not in ticks and each.role != "drum-tones"
        for centre in [_centre_cents(session, each)]
        if centre is not None
    ]
    found += _whole_song(tuned)
    for each, centre in tuned:
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


def _deviations(session: Session, stem: StemNotes) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
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


def _whole_song(tuned: list[tuple[StemNotes, float]]) -> Iterator[Finding]:
    if len(tuned) < 2:
        return
    turn = [np.exp(2j * np.pi * centre / 100) for _, centre in tuned]
    off = float(np.angle(np.mean(turn)) * 100 / (2 * np.pi))
    if any(abs((centre - off + 50) % 100 - 50) > AGREE_CENTS for _, centre in tuned):
        return
    slip = _rate_slip(off)
    if slip:
        yield Finding(
            severity="question",
            what=f"every stem is off by {amount(off)} cents from the nearest notes: {slip}.",
            did="Counted as home: nothing is proposed for it.",
            advice="Compare the rate in the files with the rate of the recording.",
        )
    elif abs(off) > OFF_CENTS:
        yield Finding(
            severity="question",
            what=f"every stem is about {flat_or_sharp(off)}: tape speed, or tuned so?",
            did="Counted as home: nothing is proposed for it.",
            advice="If the band tuned so, write the A4 in the session file.",
        )
    elif abs(abs(off) - PULL_DOWN_CENTS) < 0.3 and all(
        abs(centre - off) < 0.3 for _, centre in tuned
    ):
        yield Finding(
            severity="note",
            what=f"every stem is {flat_or_sharp(off)}, alike within 0.3 cents: it looks like a "
            "0.1 % change of speed for picture.",
            did="Counted as home: nothing is proposed for it.",
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
    notes: tuple[MeasuredNote, ...] = stem.notes
    if len(notes) < 32 or any(each.note.length_s > _TICK_S for each in notes):
        return None
    if len({round(hz_to_midi(each.note.pitch_hz)) for each in notes}) > 2:
        return None
    gaps = np.diff(sorted(each.note.start_s for each in notes))
    every = float(np.median(gaps))
    even = np.abs(gaps - every) <= _TICK_SPREAD_S
    return every if every > 0 and float(even.mean()) >= 0.95 else None


# ---------------------------------------------------------------- words


def _later(seconds: float) -> str:

    return f"{abs(seconds):.3f} s {'later' if seconds > 0 else 'earlier'}"


def _khz(sr: int) -> str:
    return f"{sr / 1000:g} kHz"


def _day_clock(at_s: float) -> str:
    thousandths = round(at_s * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{rest // 1000:02d}.{rest % 1000:03d}"
