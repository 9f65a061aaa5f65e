"""Notes that are another stem leaking in are dropped; notes that only resemble one are kept."""

from __future__ import annotations

import pytest

from planner.bleed import without_bleed
from planner.model import MeasuredNote, Measurement, Note, Role, StemNotes

OWN = [(220.0, 3.0, -18.0), (262.0, 4.0, -17.0), (247.0, 5.0, -18.5), (330.0, 6.0, -17.5)]


def stem(
    code: str,
    notes: list[tuple[float, float, float]],
    *,
    role: Role = "fretted",
    long_s: float = 0.8,
) -> StemNotes:
    """A stem of notes given as (Hz, start in s, dBFS)."""
    measured = []
    for k, (hz, start_s, level_db) in enumerate(notes, start=1):
        note = Note(
            stem=code,
            start_s=start_s,
            end_s=start_s + long_s,
            start_smp=round(start_s * 48_000),
            end_smp=round((start_s + long_s) * 48_000),
            pitch_hz=hz,
            strength=0.95,
            pitched_share=1.0,
            level_db=level_db,
            begins="attack",
        )
        measured.append(MeasuredNote(id=f"{code}-{k:04d}", note=note, measurement=Measurement()))
    return StemNotes(code=code, role=role, facts=None, notes=tuple(measured))


def kept(stems: list[StemNotes], code: str) -> list[str]:
    (one,) = [s for s in without_bleed(stems) if s.code == code]
    return [m.id for m in one.notes]


@pytest.mark.parametrize("times", [1.0, 2.0, 3.0, 0.5])
def test_a_faint_copy_of_a_louder_note_is_bleed(times: float) -> None:
    """The same note, or a partial of it, 25 dB softer at the same time is the other stem's."""
    guitar = stem("GTR", [*OWN, (196.0 * times, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    assert kept([guitar, voice], "GTR") == ["GTR-0001", "GTR-0002", "GTR-0003", "GTR-0004"]
    assert kept([guitar, voice], "LV") == ["LV-0001"]


def test_what_was_dropped_is_told() -> None:
    """The stem says how many of its notes were dropped, in a note, not in a warning."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    cleaned, other = without_bleed([guitar, voice])
    (finding,) = cleaned.findings
    assert finding.severity == "note"
    assert finding.stem == "GTR"
    assert finding.what == "1 of 5 notes found here are other stems leaking in."
    assert other.findings == ()


@pytest.mark.parametrize(
    ("hz", "start_s", "level_db"),
    [
        (196.0, 1.0, -20.0),  # as loud as its neighbours: a doubled line
        (233.1, 1.0, -43.0),  # another pitch
        (196.0, 8.0, -43.0),  # another time
        (201.5, 1.0, -43.0),  # 48 cents off: not the same sound
    ],
)
def test_what_only_resembles_a_louder_note_is_kept(
    hz: float, start_s: float, level_db: float
) -> None:
    """Another pitch, another time, or a level of its own: then it is a note of this stem."""
    guitar = stem("GTR", [*OWN, (hz, start_s, level_db)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    assert len(kept([guitar, voice], "GTR")) == 5


def test_a_quiet_part_in_unison_is_kept() -> None:
    """A part that is soft as a whole, in unison with a loud one, is a part and no bleed."""
    soft = stem("HV", [(hz, at, level - 15.0) for hz, at, level in OWN], role="voice-harmony")
    loud = stem("LV", OWN, role="lead-voice")
    assert len(kept([soft, loud], "HV")) == 4


def test_a_whole_stem_of_bleed_is_emptied() -> None:
    """A stem that holds another one 30 dB down and nothing else holds no notes."""
    leak = stem("OH", [(hz, at, level - 30.0) for hz, at, level in OWN], role="woodwind")
    assert kept([leak, stem("LV", OWN, role="lead-voice")], "OH") == []


def test_soft_notes_of_a_chord_are_kept() -> None:
    """A chord's soft finger, 15 dB under, stays though a voice sings the same note."""
    piano = stem("PNO", [*OWN, (196.0, 1.0, -33.0)], role="tuning-reference")
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    assert len(kept([piano, voice], "PNO")) == 5


def test_a_brief_overlap_is_not_enough() -> None:
    """A louder note that covers less than half of the soft one does not explain it."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    late = stem("LV", [(196.0, 1.6, -17.0)], role="lead-voice")
    assert len(kept([guitar, late], "GTR")) == 5


def test_several_short_notes_cover_together() -> None:
    """A leak that the tracker ran together is explained by the short notes that leaked."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0), (196.0, 1.42, -17.0)], role="lead-voice", long_s=0.3)
    assert len(kept([guitar, voice], "GTR")) == 4


def test_order_does_not_matter_and_empty_stems_are_no_trouble() -> None:
    """Stems come back in the order given, each cleaned alike, empty ones as they were."""
    guitar = stem("GTR", [*OWN, (196.0, 1.0, -43.0)])
    voice = stem("LV", [(196.0, 1.0, -17.0)], role="lead-voice")
    empty = stem("SHK", [], role="woodwind")
    there = without_bleed([guitar, voice, empty])
    back = without_bleed([empty, voice, guitar])
    assert [s.code for s in there] == ["GTR", "LV", "SHK"]
    assert [[m.id for m in s.notes] for s in there] == [[m.id for m in s.notes] for s in back[::-1]]
