"""Permanent ids of notes: every note of a run found again among those of the runs before.

A note is the same as an old one where pitch, place and length agree. Of a note that is cut in two
the longer part keeps the id; of notes that are joined into one the oldest id lives.

The limits of a match (60 cents, 60 % overlap, 40 ms, a quarter unmatched): common practice, no
source.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.answer.ledger import Known, Ledger, owner_of, serial_of
from planner.answer.moved_files import RETIMED_S, retimed, shift_questions, too_little_found
from planner.model import Finding, MeasuredNote, StemNotes
from planner.pitch import cents, midi_to_hz
from planner.timeline import TempoMap

_PITCH_CENTS = 60.0
_OVERLAP = 0.6
_START_S = 0.040
_LOST_SHARE = 0.25
_LOST_NOTES = 4  # chosen: of fewer notes a quarter says nothing about the file
# Of a session put together anew two bars later, 95 % of the notes read within 1.1 cents and 8.5 ms
# (seed 50500, looked at). Of two takes that scatter by 8 cents and 15 ms one in fifteen would.
_SAME_CENTS, _SAME_SHARE = 2.0, 0.5


def keep_ids(
    stems: tuple[StemNotes, ...],
    a4_hz: float,
    ledger: Ledger,
    tempo_map: TempoMap | None = None,
    used: Iterable[str] = (),
) -> tuple[tuple[StemNotes, ...], Ledger, tuple[Finding, ...]]:
    """Give every note the id it had in earlier runs, and new serials to those that are new.

    stems: notes by start, then pitch; the ids they carry are replaced.
    a4_hz: Session A4, by which a note's intended note is guessed.
    ledger: what earlier runs knew; empty on the first run.
    tempo_map: says a shift of a whole file in bars.
    used: more ids that were given away, for example in answers.

    Gives stems, the ledger's notes as they stand now (other kinds unchanged), and a question where
    a file seems shifted as a whole, or where too little is found again.
    """
    taken = [*(known.id for known in ledger), *used]
    named: list[StemNotes] = []
    notes: list[Known] = []
    shifts: dict[str, float] = {}
    findings: list[Finding] = []
    for stem in stems:
        old = [k for k in ledger if k.kind == "note" and k.stem == stem.code]
        seen = [k for k in old if k.here]
        match, shift_s = _matched_anywhere(old, seen, stem.notes, a4_hz)
        if shift_s:
            shifts[stem.code] = shift_s
        else:
            if _lost(seen, match):
                findings.append(too_little_found(stem.code, _lost_notes(seen, match), len(seen)))
            findings += retimed(stem.code, _moved_by_s(seen, stem.notes, match))
        stem, of_stem = _numbered(stem, old, match, a4_hz, taken)
        named.append(stem)
        notes += of_stem
    codes = {stem.code for stem in stems}
    others = [k for k in ledger if k.kind != "note" or k.stem not in codes]
    sounding = sum(bool(stem.notes) for stem in stems)
    findings = [*shift_questions(shifts, tempo_map, sounding), *findings]
    return tuple(named), (*notes, *others), tuple(findings)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Match:
    """Which new note (by its index in the stem) has which old id."""

    id_of: dict[int, str]
    split_from: dict[int, str]
    absorbed_by: dict[str, str]

    @property
    def found(self) -> frozenset[str]:
        return frozenset(self.id_of.values()) | frozenset(self.absorbed_by)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Touching:
    """Old notes and new ones of the same pitch that share time."""

    places: Mapping[str, tuple[float, float]]  # of old notes, s in the new file
    gone: frozenset[str]  # old notes that the last run did not see
    notes: Sequence[MeasuredNote]
    pairs: tuple[tuple[str, int], ...]  # (old id, place of the new note), by old note

    def common_s(self, known_id: str, k: int) -> float:
        start_s, end_s = self.places[known_id]
        note = self.notes[k].note
        return min(end_s, note.end_s) - max(start_s, note.start_s)

    def old_inside(self, known_id: str, k: int) -> bool:
        """Whether most of an old note lies in a new one."""
        start_s, end_s = self.places[known_id]
        return self.common_s(known_id, k) >= _OVERLAP * (end_s - start_s)

    def new_inside(self, known_id: str, k: int) -> bool:
        """Whether most of a new note lies in an old one."""
        return self.common_s(known_id, k) >= _OVERLAP * self.notes[k].note.length_s


def _matched_anywhere(
    old: Sequence[Known], seen: Sequence[Known], notes: Sequence[MeasuredNote], a4_hz: float
) -> tuple[_Match, float]:
    """Match notes where they were, or else where one shift of the whole file (s) has put them."""
    match = _matched(old, notes, a4_hz, 0.0)
    shift_s = _common_shift(seen, notes, a4_hz) if _lost(seen, match) else None
    if shift_s:
        moved = _matched(old, notes, a4_hz, shift_s)
        if not _lost(seen, moved):
            return moved, shift_s
    return match, 0.0


def _matched(
    old: Sequence[Known], notes: Sequence[MeasuredNote], a4_hz: float, shift_s: float
) -> _Match:
    touching = _touching(old, notes, a4_hz, shift_s)
    id_of = _found_again(touching)
    id_of, absorbed_by = _joined(touching, id_of)
    id_of, split_from = _cut(touching, id_of, absorbed_by)
    return _Match(id_of=id_of, split_from=split_from, absorbed_by=absorbed_by)


def _touching(
    old: Sequence[Known], notes: Sequence[MeasuredNote], a4_hz: float, shift_s: float
) -> _Touching:
    starts = np.array([n.note.start_s for n in notes])
    longest_s = max((n.note.length_s for n in notes), default=0.0)
    places, pairs = {}, []
    for known in old:
        start_s, end_s = (known.start_s or 0.0) + shift_s, (known.end_s or 0.0) + shift_s
        places[known.id] = start_s, end_s
        first = int(np.searchsorted(starts, start_s - longest_s - _START_S))
        last = int(np.searchsorted(starts, end_s + _START_S, side="right"))
        for k in range(first, last):
            note = notes[k].note
            together = note.start_s < end_s and note.end_s > start_s
            if together and _same_pitch(known, notes[k], a4_hz):
                pairs.append((known.id, k))
    gone = frozenset(known.id for known in old if not known.here)
    return _Touching(places=places, gone=gone, notes=notes, pairs=tuple(pairs))


def _found_again(touching: _Touching) -> dict[int, str]:
    """Pair notes that agree in place and length: new note -> old id."""
    near = []
    for known_id, k in touching.pairs:
        (start_s, end_s), note = touching.places[known_id], touching.notes[k].note
        share = touching.common_s(known_id, k) / max(end_s - start_s, note.length_s)
        late_s = abs(note.start_s - start_s)
        if round(share, 6) >= _OVERLAP and round(late_s, 6) <= _START_S:
            gone = known_id in touching.gone
            near.append((gone, -round(share, 4), round(late_s, 4), known_id, k))
    # The closest pair first: notes of one pitch hardly overlap each other, so that no other
    # pairing is better. An id that was here in the last run goes before one that was not.
    id_of: dict[int, str] = {}
    taken: set[str] = set()
    for _, _, _, known_id, k in sorted(near):
        if k not in id_of and known_id not in taken:
            id_of[k] = known_id
            taken.add(known_id)
    return id_of


def _joined(touching: _Touching, found: dict[int, str]) -> tuple[dict[int, str], dict[str, str]]:
    """Let the oldest id live where old notes were joined into one; the others are absorbed."""
    id_of, absorbed_by = dict(found), dict[str, str]()
    taken = set(id_of.values())
    olds_of: dict[int, list[str]] = {}
    for known_id, k in touching.pairs:
        if known_id not in touching.gone and touching.old_inside(known_id, k):
            olds_of.setdefault(k, []).append(known_id)
    for k in sorted(olds_of):
        inside = [known_id for known_id in olds_of[k] if known_id not in taken]
        members = [*inside, *([id_of[k]] if k in id_of else [])]
        if inside and len(members) >= 2:
            id_of[k] = min(members, key=serial_of)
            taken.update(members)
            absorbed_by.update({one: id_of[k] for one in members if one != id_of[k]})
    return id_of, absorbed_by


def _cut(
    touching: _Touching, found: dict[int, str], absorbed_by: Mapping[str, str]
) -> tuple[dict[int, str], dict[int, str]]:
    """Leave its id to the longest part of a note that was cut; the others come from it."""
    id_of, split_from = dict(found), dict[int, str]()
    alive = set(id_of.values())
    parts_of: dict[str, list[int]] = {}
    for known_id, k in touching.pairs:
        whole = known_id not in touching.gone and known_id not in absorbed_by
        if whole and touching.new_inside(known_id, k):
            parts_of.setdefault(known_id, []).append(k)
    for known_id, every in parts_of.items():
        parts = [k for k in every if k not in id_of]
        if known_id not in alive and len(parts) >= 2:
            longest = max(parts, key=lambda k: (touching.notes[k].note.length_s, -k))
            id_of[longest] = known_id
            alive.add(known_id)
            parts.remove(longest)
        if known_id in alive:
            split_from.update({k: known_id for k in parts if k not in split_from})
    return id_of, split_from


def _same_pitch(known: Known, measured: MeasuredNote, a4_hz: float) -> bool:
    hz = _heard_hz(measured)
    if known.pitch_hz is not None and round(abs(cents(hz, known.pitch_hz)), 1) <= _PITCH_CENTS:
        return True
    if known.midi is None:
        return False
    return round(abs(cents(hz, midi_to_hz(known.midi, a4_hz))), 1) <= 50.0


def _heard_hz(measured: MeasuredNote) -> float:
    return measured.measurement.heard_hz or measured.note.pitch_hz


def _lost(seen: Sequence[Known], match: _Match) -> bool:
    return len(seen) >= _LOST_NOTES and _lost_notes(seen, match) > _LOST_SHARE * len(seen)


def _lost_notes(seen: Sequence[Known], match: _Match) -> int:
    return sum(k.id not in match.found for k in seen)


def _moved_by_s(seen: Sequence[Known], notes: Sequence[MeasuredNote], match: _Match) -> list[float]:
    """How far each note of the last plan begins from where it did."""
    before = {k.id: k.start_s for k in seen}
    return [
        abs(notes[k].note.start_s - at_s)
        for k, note_id in match.id_of.items()
        if (at_s := before.get(note_id)) is not None
    ]


def _common_shift(
    seen: Sequence[Known], notes: Sequence[MeasuredNote], a4_hz: float
) -> float | None:
    """The one shift, in s, that brings most notes of the same pitch together."""
    by_midi: dict[int, list[float]] = {}
    for n in notes:
        midi = round(69 + cents(_heard_hz(n), a4_hz) / 100)
        by_midi.setdefault(midi, []).append(n.note.start_s)
    late = [
        np.array(by_midi[k.midi]) - (k.start_s or 0.0)
        for k in seen
        if k.midi is not None and k.midi in by_midi
    ]
    if not late:
        return None
    every = np.sort(np.concatenate(late))
    # The densest stretch as wide as two notes may lie apart and still be one.
    reach = np.searchsorted(every, every + _START_S, side="right")
    best = int(np.argmax(reach - np.arange(len(every))))
    return float(np.median(every[best : reach[best]]))


def _numbered(
    stem: StemNotes, old: Sequence[Known], match: _Match, a4_hz: float, taken: Iterable[str]
) -> tuple[StemNotes, list[Known]]:
    serials = [serial_of(one) for one in taken if owner_of(one) == stem.code]
    serial = max(serials, default=0)
    named, here = [], {}
    for k, measured in enumerate(stem.notes):
        note_id = match.id_of.get(k)
        if note_id is None:
            serial += 1
            note_id = f"{stem.code}-{serial:04d}"
        named.append(replace(measured, id=note_id))
        here[note_id] = _known_note(named[-1], a4_hz, match.split_from.get(k, ""))
    known = [
        replace(here.pop(k.id), split_from=k.split_from)
        if k.id in here
        else replace(k, here=False, absorbed_by=match.absorbed_by.get(k.id, k.absorbed_by))
        for k in old
    ]
    return replace(stem, notes=tuple(named)), [*known, *here.values()]


def _known_note(measured: MeasuredNote, a4_hz: float, split_from: str) -> Known:
    hz = _heard_hz(measured)
    return Known(
        id=measured.id,
        kind="note",
        stem=measured.note.stem,
        midi=round(69 + cents(hz, a4_hz) / 100),
        pitch_hz=round(hz, 3),
        start_s=round(measured.note.start_s, 4),
        end_s=round(measured.note.end_s, 4),
        split_from=split_from,
    )


def heard_as_before(before: Ledger, now: Ledger) -> frozenset[str]:
    """Say which notes sound as they did in the last run, wherever their file has put them.

    A file that is put together anew, cut otherwise or has one bar replaced is another file; what
    was said of its other notes stands. Of a stem sung or played once more nearly every note is
    another, and then none counts.
    """
    then = {k.id: k for k in before if k.kind == "note" and k.here}
    pairs: dict[str, list[tuple[Known, Known]]] = {}
    for known in now:
        if known.here and known.id in then:
            pairs.setdefault(known.stem, []).append((then[known.id], known))
    same: set[str] = set()
    for own in pairs.values():
        shift_s = float(np.median([(b.start_s or 0.0) - (a.start_s or 0.0) for a, b in own]))
        alike = {b.id for a, b in own if _sounds_alike(a, b, shift_s)}
        if len(alike) >= _SAME_SHARE * len(own):
            same |= alike
    return frozenset(same)


def _sounds_alike(then: Known, now: Known, shift_s: float) -> bool:
    if None in (then.pitch_hz, now.pitch_hz, then.start_s, now.start_s):
        return False
    apart_cents = cents(now.pitch_hz or 1.0, then.pitch_hz or 1.0)
    late_s = (now.start_s or 0.0) - (then.start_s or 0.0) - shift_s
    return round(abs(apart_cents), 1) <= _SAME_CENTS and round(abs(late_s), 4) <= RETIMED_S
