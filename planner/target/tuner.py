"""What to ask the tuner for: keys that stand out, strings apart, and where that is most exposed."""

from collections import defaultdict
from collections.abc import Mapping, Sequence

from planner.clashes import SoundingNote
from planner.model import FIXED_ROLES, Finding, KeyReading, MeasuredNote, SessionA4, StemNotes
from planner.pitch import cents, midi_to_hz, note_name
from planner.target.keys import STRINGS_TOLD_CENTS, notes_of_key, with_keys
from planner.targets import curve_hz
from planner.timeline import TempoMap
from planner.words.session_model import Session
from planner.words.wording import amount, count, flat_or_sharp, give_or_take, place

_PLACES = 4  # chosen: the longest notes of a key, where it is heard most
_THROUGHOUT = 0.5  # of the keys that could tell; chosen: then it is the instrument, not a key
_FEWEST_KEYS = 6  # chosen
_APART_CENTS = 8.0  # common practice, no source: fixed instruments this far apart are reported
_HELD_S = 0.5  # chosen: shorter unisons do not beat long enough to be heard


def keyboard_findings(
    session: Session, stems: Sequence[StemNotes], a4: SessionA4
) -> tuple[Finding, ...]:
    """Tell of the keys of all fixed instruments, places in seconds of each stem's own file."""
    curve = curve_hz(session, a4)
    keyed = with_keys(session, stems, a4, curve)
    return tuple(
        finding
        for stem in stems
        if stem.role in FIXED_ROLES
        for finding in tuner_findings(stem, keyed, curve, None, 0.0)
    )


def tuner_findings(
    stem: StemNotes,
    a4: SessionA4,
    curve: Mapping[int, float],
    tempo_map: TempoMap | None,
    shift_s: float,
) -> tuple[Finding, ...]:
    """Tell of a fixed instrument's keys that stand out or whose strings stand apart.

    shift_s: from the stem's own clock to the session's. curve: as for
    `planner.target.keys.with_keys`.
    """
    keys = [key for key in a4.keys if key.stem == stem.code]
    findings = [
        Finding(
            severity="warning",
            what=f"{note_name(key.midi)} is {flat_or_sharp(key.beside_cents)} against the keys "
            f"around it ({count(key.notes, 'note')}{give_or_take(key.uncertainty_cents)}).",
            did="Nothing is moved: a reference never is.",
            advice=_ask(key, stem, curve, tempo_map, shift_s),
            stem=stem.code,
        )
        for key in keys
        if key.stands_out
    ]
    apart = [key for key in keys if strings_told(key)]
    told = [key for key in keys if key.strings_notes[1] > 0]
    if len(told) >= _FEWEST_KEYS and len(apart) > _THROUGHOUT * len(told):
        middle = sorted(key.strings_apart_cents or 0.0 for key in apart)[len(apart) // 2]
        findings.append(
            Finding(
                severity="warning",
                what=f"Strings stand apart in {len(apart)} of {len(told)} keys that could tell, "
                f"mostly by about {amount(middle)} cents.",
                did="Each note counts as the middle of its strings.",
                advice="If the instrument is meant to sound so, that is its character, and another "
                "reference may be judged by more easily; else ask the tuner.",
                stem=stem.code,
            )
        )
        return tuple(findings)
    return (*findings, *(_strings(key, stem, curve, tempo_map, shift_s) for key in apart))


def strings_told(key: KeyReading) -> bool:
    """Say whether a key's strings stand so far apart that it is worth a word."""
    apart = key.strings_apart_cents
    return apart is not None and round(apart, 1) >= STRINGS_TOLD_CENTS


def strings_words(key: KeyReading, a4_hz: float) -> str:
    """Say how far a key's strings stand apart and how fast they beat; empty where not told."""
    if key.strings_apart_cents is None or not strings_told(key):
        return ""
    agree, could = key.strings_notes
    f1_hz = midi_to_hz(key.midi, a4_hz)
    beats = f1_hz * (2.0 ** (key.strings_apart_cents / 1200.0) - 1.0)
    return (
        f"strings about {amount(key.strings_apart_cents)} cents apart"
        f"{give_or_take(key.strings_uncertainty_cents)} (beats {beats:.2f} a second at the first "
        f"partial), in {agree} of {count(could, 'note')} that could tell"
    )


def unison_findings(
    sounding: Sequence[SoundingNote], a4: SessionA4, tempo_map: TempoMap | None
) -> tuple[Finding, ...]:
    """Tell where two fixed instruments hold unisons that lie apart; neither can be moved.

    sounding: all notes on the session's clock. The pitch reference comes first, then by code.
    """
    codes = list(dict.fromkeys(key.stem for key in a4.keys))
    by_key: dict[tuple[str, int], list[SoundingNote]] = defaultdict(list)
    for n in sounding:
        if n.stem in codes and n.role in FIXED_ROLES:
            by_key[n.stem, n.midi].append(n)
    findings = []
    for k, first in enumerate(codes):
        for second in codes[k + 1 :]:
            held = [
                (length_s, max(n.start_s, m.start_s), midi, cents(m.heard_hz, n.heard_hz))
                for midi in range(128)
                for n in by_key.get((first, midi), ())
                for m in by_key.get((second, midi), ())
                if (length_s := _together_s(n, m)) >= _HELD_S
            ]
            sore = [one for one in held if round(abs(one[3]), 1) > _APART_CENTS]
            if not sore:
                continue
            longest = sorted(sorted(sore, reverse=True)[:_PLACES], key=lambda one: one[1])
            where = "; ".join(
                f"{note_name(midi)} {flat_or_sharp(off)} {_at(start_s, tempo_map)}"
                for _, start_s, midi, off in longest
            )
            findings.append(
                Finding(
                    severity="warning",
                    what=f"{second} holds unisons with {first} that lie more than "
                    f"{_APART_CENTS:g} cents apart, {len(sore)} of {len(held)}: {where}.",
                    did="Nothing is moved: neither can be.",
                    advice="One of the two may rest there.",
                    stem=second,
                )
            )
    return tuple(findings)


def _together_s(one: SoundingNote, other: SoundingNote) -> float:
    return round(min(one.end_s, other.end_s) - max(one.start_s, other.start_s), 6)


def _strings(
    key: KeyReading,
    stem: StemNotes,
    curve: Mapping[int, float],
    tempo_map: TempoMap | None,
    shift_s: float,
) -> Finding:
    return Finding(
        severity="warning",
        what=f"{note_name(key.midi)}: {strings_words(key, curve[69])}.",
        did="Each note counts as the middle of its strings.",
        advice=_ask(key, stem, curve, tempo_map, shift_s),
        stem=stem.code,
    )


def _ask(
    key: KeyReading,
    stem: StemNotes,
    curve: Mapping[int, float],
    tempo_map: TempoMap | None,
    shift_s: float,
) -> str:
    notes = notes_of_key(stem, key.midi, curve)
    longest = sorted(notes, key=lambda n: (-n.note.length_s, n.note.start_s))[:_PLACES]
    where = "; ".join(
        _place(n, tempo_map, shift_s) for n in sorted(longest, key=lambda n: n.note.start_s)
    )
    return f"Ask the tuner for {note_name(key.midi)}. Most exposed: {where}."


def _place(n: MeasuredNote, tempo_map: TempoMap | None, shift_s: float) -> str:
    return f"{_at(n.note.start_s + shift_s, tempo_map)} for {n.note.length_s:.1f} s"


def _at(clock_s: float, tempo_map: TempoMap | None) -> str:
    bar, beat = tempo_map.played_at(clock_s) if tempo_map is not None else (None, None)
    return place(bar, beat, clock_s)
