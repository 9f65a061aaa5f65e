"""The guide as a notation program reads it: names, tempo, bars and notes.

MuseScore 3 (GPL; Debian's ``musescore3``) imports MIDI and writes MusicXML 3.1 without a screen.
It is a reader written by others: what it finds is set against the plan's own list of notes.
"""

import os
import shutil
import subprocess
import xml.etree.ElementTree as ET
from collections import Counter
from pathlib import Path

import mido
import pytest

from tests.edges.test_answering import planned as planned
from tests.edges.test_answering import table

_PROGRAM = shutil.which("mscore3") or shutil.which("musescore3")
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
BPM = 100.0  # of the session's tempo map, 4/4


@pytest.fixture(scope="module")
def imported(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> ET.Element:
    """The guide of a small session, read by the program and written as MusicXML."""
    if _PROGRAM is None:
        pytest.skip("MuseScore 3 (Debian: musescore3) is not installed")
    folder = tmp_path_factory.mktemp("import")
    quiet = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "HOME": str(folder),
             "XDG_RUNTIME_DIR": str(folder)}  # fmt: skip
    command = [_PROGRAM, "-o", str(folder / "guide.musicxml"), str(planned / "plan_01/guide.mid")]
    subprocess.run(command, env=quiet, check=True, capture_output=True, timeout=120)
    return ET.parse(folder / "guide.musicxml").getroot()


def midi_of(note: ET.Element) -> int:
    pitch = note.find("pitch")
    assert pitch is not None
    alter = int(pitch.findtext("alter", "0"))
    return _STEPS[pitch.findtext("step", "")] + alter + 12 * (int(pitch.findtext("octave", "")) + 1)


def notes_of(part: ET.Element) -> list[tuple[float, int]]:
    """Starts in quarters from bar 1, and MIDI notes; tied notes count once."""
    found: list[tuple[float, int]] = []
    divisions, bar_at = 1.0, 0.0
    for measure in part.iter("measure"):
        divisions = float(measure.findtext("attributes/divisions") or divisions)
        now, last, longest = 0.0, 0.0, 0.0
        for one in measure:
            length = float(one.findtext("duration") or 0.0) / divisions
            if one.tag == "backup":
                now -= length
            elif one.tag == "forward":
                now += length
            elif one.tag == "note":
                start = last if one.find("chord") is not None else now
                tied = any(tie.get("type") == "stop" for tie in one.findall("tie"))
                if one.find("pitch") is not None and not tied:
                    found.append((bar_at + start, midi_of(one)))
                if one.find("chord") is None:
                    last, now = now, now + length
            longest = max(longest, now)
        bar_at += longest
    return found


def part_named(root: ET.Element, name: str) -> ET.Element:
    ids = [p.get("id") for p in root.iter("score-part") if name in p.findtext("part-name", "")]
    assert len(ids) == 1
    return next(p for p in root.findall("part") if p.get("id") == ids[0])


def test_names_and_tempo_come_through(imported: ET.Element) -> None:
    """Every track with all notes of a stem keeps its name; the map's tempo and meter are taken."""
    names = " ".join(p.findtext("part-name", "") for p in imported.iter("score-part"))
    for name in ("BAS all", "EGL all", "start and end posts"):
        assert name in names
    assert {float(s.get("tempo", "0")) for s in imported.iter("sound") if s.get("tempo")} == {BPM}
    assert {t.findtext("beats") for t in imported.iter("time")} == {"4"}


def test_no_note_is_lost_and_none_is_added(imported: ET.Element, planned: Path) -> None:
    """Each part holds the notes of its stem, and those of its fixes, which share its channel."""
    guide = mido.MidiFile(planned / "plan_01/guide.mid")
    for code in ("BAS", "EGL"):
        wanted = Counter(
            event.note
            for track in guide.tracks
            if track.name in (f"{code} all", f"{code} fixes")
            for event in track
            if event.type == "note_on" and event.velocity
        )
        found = Counter(midi for _, midi in notes_of(part_named(imported, f"{code} all")))
        assert found == wanted


def test_notes_land_on_their_bars(imported: ET.Element, planned: Path) -> None:
    """Within an eighth, to which a notation program may round, of where the stems have them."""
    notes = table(planned / "plan_01" / "notes.csv")
    before = 4.0  # the stems begin 0.2 s before bar 1, the guide a whole bar: see README
    for code in ("BAS", "EGL"):
        found = notes_of(part_named(imported, f"{code} all"))
        for note in notes:
            if note["stem"] != code:
                continue
            at = (float(note["start_s"]) - 0.2) * BPM / 60.0 + before
            near = [b for b, midi in found if midi == int(note["intended_midi"])]
            assert min(abs(b - at) for b in near) <= 0.5
