"""The guide MIDI, read again by other readers, and its bytes against the MIDI file standard."""

import shutil
import subprocess
import warnings
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pretty_midi
import pytest
import symusic
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_plan import FACTS, judged, plan, row

from planner.files.midi import midi_bytes, read_back_guide
from planner.guide import (
    guide_midi,
    guide_note_starts,
    guide_traces_midi,
    guide_within_s,
    worst_start_error_s,
)
from planner.model import Measurement, SessionA4
from planner.timeline import TempoMap, tempo_map_from_events, tempo_map_from_marks
from planner.words.plan_model import Plan
from planner.words.session_model import KeyMark, Session, StemSpec, TempoMark
from planner.write.guide_conductor import key_signature, marker_label
from planner.write.guide_curves import bend_values, tuning_messages
from planner.write.note_curves import planned_add_cents


def small_plan(*notes: Any, song: str = "Low Tide Ledger", **changes: Any) -> Plan:
    """A plan with just these notes."""
    codes = dict.fromkeys(note.measured.note.stem for note in notes)
    session = Session(
        song=song, stems=tuple(StemSpec(code=c, file=f"{c}.wav", role="lead-voice") for c in codes)
    )
    whole: dict[str, Any] = {
        "session": session, "a4": SessionA4(a4_hz=441.0, found_from="typed"),
        "judged": notes, "rows": (), "offenders": (), "stems": (), "facts": (),
        "missing": (), "findings": (),
    }  # fmt: skip
    return Plan(**(whole | changes))


def song_map(bar_one_at_s: float = 0.0) -> TempoMap:
    """92 to the minute, then 88 from bar 57."""
    marks = [TempoMark(bar=1, bpm=92.0), TempoMark(bar=57, bpm=88.0)]
    return tempo_map_from_marks(marks, bar_one_at_s=bar_one_at_s)


def events(track: Any) -> list[tuple[int, Any]]:
    """Messages of a track with absolute ticks."""
    ticks = np.cumsum([message.time for message in track])
    return list(zip(ticks.tolist(), track, strict=True))


def texts(midi: mido.MidiFile, kind: str) -> list[str]:
    """Texts or markers of track 0."""
    return [message.text for message in midi.tracks[0] if message.type == kind]


# ---------------------------------------------------------------- the main file


def test_layout() -> None:
    """Type 1, 960 to the quarter; track 0, the posts, then two tracks a stem, all equally long."""
    midi = guide_midi(plan(), song_map())
    assert (midi.type, midi.ticks_per_beat) == (1, 960)
    assert [track.name for track in midi.tracks] == [
        "Low Tide Ledger", "start and end posts", "BAS all", "BAS fixes", "LV all", "LV fixes",
    ]  # fmt: skip
    assert {track[0].type for track in midi.tracks} == {"track_name"}
    assert len({events(track)[-1][0] for track in midi.tracks}) == 1
    assert all(track[-1].type == "end_of_track" for track in midi.tracks)


def test_only_plain_notes() -> None:
    """No bend, controller or program; velocity 80; note-offs are real; channel 10 stays free."""
    notes = [judged(f"S{i}-1") for i in range(20)]
    midi = guide_midi(small_plan(*notes), None)
    for track in midi.tracks[2:]:
        for message in track:
            assert message.type in {"track_name", "note_on", "note_off", "end_of_track"}
            assert message.type != "note_on" or message.velocity == 80
            assert message.is_meta or message.channel not in (9, 15)
    assert "20 stems: channels are used more than once, tracks are not." in texts(midi, "text")


def test_fixes_are_the_moving_notes_with_the_same_spans() -> None:
    """`fixes` holds the notes whose action moves pitch, at the very ticks they have in `all`."""
    midi = guide_midi(
        small_plan(judged("LV-1", start_s=1.0), judged("LV-2", start_s=3.0, action="leave")), None
    )
    everything, fixes = ([(t, m.type) for t, m in events(midi.tracks[i])] for i in (2, 3))
    assert [t for t, kind in everything if kind == "note_on"] == [1920, 5760]
    assert [pair for pair in fixes if "note" in pair[1]] == [(1920, "note_on"), (4608, "note_off")]


def test_posts_hold_both_ends() -> None:
    """A soft note stands at tick 0 and one at the end of the longest file, on their own track."""
    midi = guide_midi(small_plan(judged(start_s=2.0), facts=(("LV", FACTS),)), None)
    posts = [(t, m.velocity) for t, m in events(midi.tracks[1]) if m.type == "note_on"]
    assert posts == [(0, 1), (round(8664000 / 48000 * 1920), 1)]


def test_texts_and_checks() -> None:
    """Track 0 says which A4 to set and where to compare bar, beat and seconds."""
    midi = guide_midi(plan(), song_map())
    assert "Session A4 = 441.00 Hz: set your guide instrument to A=441.0." in texts(midi, "text")
    assert "This file starts with the stems' first sample." in texts(midi, "text")
    assert any(text.startswith("Left out:") for text in texts(midi, "text"))
    checks = [text for text in texts(midi, "marker") if text.startswith("CHECK")]
    assert len(checks) == 4
    for text in checks:
        _, _, bar, _, beat, _, seconds = text.split()
        quarters = 4 * (int(bar) - 1) + float(beat) - 1
        by_hand = min(quarters, 224) * 60 / 92 + max(0.0, quarters - 224) * 60 / 88
        assert float(seconds.rstrip("s")) == pytest.approx(by_hand, abs=1e-3)


def test_no_tempo_map() -> None:
    """Without a map one beat is half a second, and track 0 says so."""
    midi = guide_midi(small_plan(judged(start_s=2.5)), None)
    assert any("120 to the minute throughout, one beat is 0.5 s" in t for t in texts(midi, "text"))
    assert [t for t, m in events(midi.tracks[2]) if m.type == "note_on"] == [5 * 960]


def test_music_before_bar_one() -> None:
    """The file starts whole bars early, says by how much, and marks the stems' first sample."""
    wanted = small_plan(judged(start_s=1.0))
    midi = guide_midi(wanted, song_map(3.7))
    assert any("starts 2 bars before bar 1, 1.5174 s before" in t for t in texts(midi, "text"))
    start = [t for t, m in events(midi.tracks[0]) if m.type == "marker" and m.text == "FILE START"]
    assert start == [song_map(3.7).tick_at(0.0)]
    assert guide_note_starts(wanted, song_map(3.7))["LV all"] == pytest.approx((2.517392,))
    later = guide_midi(wanted, song_map(-4.0))
    assert any("starts at bar 1, 4.0000 s before the stems'" in t for t in texts(later, "text"))


def test_no_pitch_overlaps_itself() -> None:
    """A repeated pitch ends where its next begins, the off before the on, and lasts a tick."""
    midi = guide_midi(
        small_plan(
            judged("LV-1", start_s=1.0), judged("LV-2", start_s=2.0), judged("LV-3", start_s=2.0),
            judged("LV-4", 76, start_s=2.0), judged("LV-5", start_s=2.0004),
        ),
        None,
    )  # fmt: skip
    notes = [(t, m.type, m.note) for t, m in events(midi.tracks[2]) if not m.is_meta]
    assert notes[:6] == [
        (1920, "note_on", 74), (3840, "note_off", 74), (3840, "note_on", 74),
        (3840, "note_on", 76), (3841, "note_off", 74), (3841, "note_on", 74),
    ]  # fmt: skip


def test_markers_of_offenders_and_rows() -> None:
    """Offenders come first, then other rows by severity, 40 at most, short and ASCII."""
    rows = tuple(row(id=f"LV-{i:04d}", severity=float(i), start_s=float(i)) for i in range(1, 60))
    midi = guide_midi(plan(rows=rows, offenders=()), song_map())
    markers = [text for text in texts(midi, "marker") if not text.startswith("CHECK")]
    assert len(markers) == 40
    assert sorted(markers)[0] == "LV-0020 up 16"
    assert all(len(text) <= 24 and text.isascii() for text in markers)


def test_marker_labels() -> None:
    """A label says up or down and whole cents, else the action; never more than 24 characters."""
    assert marker_label(row()) == "LV-0147 up 16"
    assert marker_label(row(add_cents=-12.6)) == "LV-0147 down 13"
    shaped = row(add_cents=None, action="shape", onset_add_cents=5.0, sustain_add_cents=9.0)
    assert marker_label(shaped) == "LV-0147 shape"
    start = row(add_cents=None, action="start-only", onset_add_cents=-20.0, sustain_add_cents=0.0)
    assert marker_label(start) == "LV-0147 start down 20"
    assert marker_label(row(id="Café-0147", action="ask", add_cents=None)) == "Cafe-0147 ask"
    assert len(marker_label(row(id="A" * 40))) == 24


@pytest.mark.parametrize(
    ("tonic", "mode", "key"),
    [("D", "major", "D"), ("F#", "minor", "F#m"), ("B♭", "major", "Bb"), ("D", "dorian", "Am"),
     ("E", "phrygian", "Am"), ("G", "mixolydian", "C"), ("F", "lydian", "C"), ("C#", "major", "C#"),
     ("G#", "major", None), ("none", "", None), ("H", "major", None)],
)  # fmt: skip
def test_key_signatures(tonic: str, mode: str, key: str | None) -> None:
    """Keys get their signature of seven flats to seven sharps, church modes that of their scale."""
    assert key_signature(tonic, mode) == key
    if key is not None:
        assert mido.MetaMessage("key_signature", key=key).key == key


def test_keys_of_the_session() -> None:
    """Keys stand at their bars; without a tempo map only that of bar 1 is written."""
    keys = (KeyMark(bar=1, tonic="D", mode="major"), KeyMark(bar=2, tonic="B", mode="minor"))
    base = small_plan(judged(start_s=9.0))
    session = Session(song="Keys", stems=base.session.stems, keys=keys)
    wanted = small_plan(judged(start_s=9.0), session=session)
    found = {
        has_map: [
            (t, m.key)
            for t, m in events(guide_midi(wanted, song_map() if has_map else None).tracks[0])
            if m.type == "key_signature"
        ]
        for has_map in (True, False)
    }
    assert found == {True: [(0, "D"), (3840, "Bm")], False: [(0, "D")]}


# ---------------------------------------------------------------- bytes


@pytest.mark.outside
def test_bytes_of_the_midi_file_standard() -> None:
    """Header, tempo, meter, key and end of track have the bytes of Standard MIDI File 1.0."""
    tempo_map = tempo_map_from_events([], [(0, 6, 8)], [(0, "F#m")])
    data = midi_bytes(guide_midi(small_plan(judged(start_s=1.0), song="guide"), tempo_map))
    assert data[:14] == bytes.fromhex("4D546864 00000006 0001 0004 03C0")
    assert bytes.fromhex("FF0305 6775696465") in data  # track name "guide"
    assert bytes.fromhex("FF5103 07A120") in data  # 120 to the minute
    assert bytes.fromhex("FF5804 06 03 24 08") in data  # 6/8, a click each dotted quarter
    assert bytes.fromhex("FF5902 0301") in data  # F sharp minor
    assert data.endswith(bytes.fromhex("FF2F00"))
    assert bytes.fromhex("8F00 90 4A 50") in data  # 1920 ticks as a variable length: 8F 00


@pytest.mark.outside
@pytest.mark.parametrize(
    ("off_cents", "written"),
    [(0, "E00040"), (10, "E01A43"), (-10, "E0663C"), (50, "E00050"), (-50, "E00030"),
     (100, "E00060"), (-100, "E00020"), (200, "E07F7F"), (-200, "E00000"), (900, "E07F7F")],
)  # fmt: skip
def test_bend_bytes(off_cents: float, written: str) -> None:
    """Bend at 2 semitones each way has the 14-bit bytes of MIDI 1.0, low byte first."""
    message = mido.Message(
        "pitchwheel", channel=0, pitch=int(bend_values(np.array([off_cents]))[0])
    )
    assert bytes(message.bytes()) == bytes.fromhex(written)


@pytest.mark.outside
def test_tuning_bytes() -> None:
    """RPN 0 states 2 semitones, RPN 1 +3.93 cents for A4 = 441, then the number is closed."""
    sent = b"".join(bytes(message.bytes()) for message in tuning_messages(0, 441.0))
    fine = 8192 + round(3.93016 * 81.92)
    assert sent == bytes.fromhex("B06500 B06400 B00602 B02600 B06500 B06401") + bytes(
        [0xB0, 0x06, fine >> 7, 0xB0, 0x26, fine & 127]
    ) + bytes.fromhex("B0657F B0647F")
    values = {m.control: m.value for m in tuning_messages(0, 415.0)[8:12]}
    assert values == {101: 0, 100: 2, 6: 63, 38: 0}  # one semitone down; -1.27 cents stay in RPN 1


# ---------------------------------------------------------------- other readers

lengths = st.lists(
    st.tuples(st.integers(1, 3000), st.integers(200_000, 1_500_000)), min_size=400, max_size=400
)


def starts_in_ticks(file: Any, name: str) -> list[int]:
    """Where the notes of a track begin, added up from its delta times."""
    (track,) = (one for one in file.tracks if one.name == name)
    at, found = 0, []
    for message in track:
        at += message.time
        if message.type == "note_on":
            found.append(at)
    return found


def exact_tick(tempos: list[tuple[int, int]], at_s: float) -> float:
    """A moment in ticks and parts of one: each tempo lasts from its tick to the next one's."""
    left_us = Fraction(at_s) * 1_000_000
    for (tick, us), (until, _) in pairwise([*tempos, (2**62, 0)]):
        lasts_us = Fraction(until - tick) * us / 960
        if left_us <= lasts_us:
            return float(tick + left_us * 960 / us)
        left_us -= lasts_us
    raise AssertionError("later than any file")


@pytest.mark.outside
@settings(max_examples=5, deadline=None)
@given(changes=lengths, shares=st.lists(st.floats(0, 0.999), min_size=60, max_size=60))
def test_notes_sit_on_the_nearest_tick(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, int]], shares: list[float]
) -> None:
    """After 400 random tempo changes every note lies on the nearest tick, for three readers."""
    tick, tempos = 0, [(0, 500_000)]
    for gap, us in changes:
        tick += gap
        tempos.append((tick, us))
    tempo_map = tempo_map_from_events(tempos)
    length = tempo_map.seconds_of_tick(tick)
    starts = sorted({round(share * length, 2) for share in shares})
    notes = [judged(f"LV-{i:04d}", 40 + i, start_s=s) for i, s in enumerate(starts)]
    wanted = small_plan(*notes)
    path = tmp_path_factory.mktemp("guide") / "guide.mid"
    path.write_bytes(midi_bytes(guide_midi(wanted, tempo_map)))
    asked = guide_note_starts(wanted, tempo_map)
    assert asked["LV all"] == pytest.approx(starts)
    assert worst_start_error_s(asked, read_back_guide(path)) < 1e-3
    ticks = starts_in_ticks(mido.MidiFile(path), "LV all")
    exact = [exact_tick(tempos, at_s) for at_s in starts]
    assert ticks == pytest.approx(exact, abs=0.5 + 1e-6, rel=0)
    score: Any = symusic.Score(path, ttype="second")
    theirs = {t.name: sorted(n.time for n in t.notes) for t in score.tracks}
    # symusic keeps seconds in single precision: up to 0.1 ms at half an hour.
    assert worst_start_error_s(asked, theirs) < 1e-3 + length * 6e-8


@pytest.mark.parametrize(
    ("bpm", "within_s"), [(31.25, 1e-3), (31.0, 1.00806e-3), (12.0, 2.6042e-3)]
)
def test_a_slow_song_is_promised_half_a_tick(bpm: float, within_s: float, tmp_path: Path) -> None:
    """Below 31.25 quarters a minute half a tick is longer than 1 ms; notes lie within it."""
    slow = tempo_map_from_marks([TempoMark(bar=1, bpm=bpm)], bar_one_at_s=0.0)
    assert guide_within_s(slow) == pytest.approx(within_s, rel=1e-3)
    assert guide_within_s(None) == 1e-3
    wanted = small_plan(*(judged(f"LV-{k}", start_s=1.0 + 1.7371 * k) for k in range(60)))
    (tmp_path / "guide.mid").write_bytes(midi_bytes(guide_midi(wanted, slow)))
    worst_s = worst_start_error_s(
        guide_note_starts(wanted, slow), read_back_guide(tmp_path / "guide.mid")
    )
    assert 0.9 * within_s < worst_s <= guide_within_s(slow)


@pytest.mark.outside
def test_names_in_any_script_and_twenty_stems(tmp_path: Path) -> None:
    """Names outside ASCII survive three readers, with twenty stems and two overlapping voices."""
    notes = [judged(f"S{i:02d}-1", 60 + i % 9, start_s=1.0 + i) for i in range(19)]
    strange = judged("主唱 – Café-1", start_s=7.0)
    wanted = small_plan(*notes, strange, song="主唱 – Café")
    path = tmp_path / "guide.mid"
    path.write_bytes(midi_bytes(guide_midi(wanted, song_map())))
    code = strange.measured.note.stem
    names = {f"{c} {kind}" for c in [*(f"S{i:02d}" for i in range(19)), code]
             for kind in ("all", "fixes")}  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        pretty = pretty_midi.PrettyMIDI(str(path), charset="utf-8")
    assert {part.name for part in pretty.instruments} - {"start and end posts"} == names
    plain = mido.MidiFile(path, charset="utf-8")
    assert plain.tracks[0].name == "主唱 – Café"
    assert len(plain.tracks) == 42
    score: Any = symusic.Score(path)
    assert {t.name for t in score.tracks} >= names
    assert worst_start_error_s(guide_note_starts(wanted, song_map()), read_back_guide(path)) < 1e-3


@pytest.mark.outside
def test_music21_reads_every_note_at_its_tick(tmp_path: Path) -> None:
    """music21 finds the parts by name, and each note at its quarter of the map, to half a tick."""
    music21 = pytest.importorskip("music21")
    notes = [judged(f"LV-{k:04d}", 60 + k % 9, start_s=1.0 + 2.13 * k) for k in range(80)]
    wanted = small_plan(*notes)
    path = tmp_path / "guide.mid"
    path.write_bytes(midi_bytes(guide_midi(wanted, song_map())))
    # Without quantizing: what the file says, not what a copyist would write.
    score: Any = music21.converter.parse(path, quantizePost=False)
    parts = {part.partName: part for part in score.parts}
    assert {"LV all", "LV fixes", "start and end posts"} <= parts.keys()
    # A notation library parts notes at bar lines and ties them.
    line = parts["LV all"].stripTies().flatten().notes
    found = [(round(n.offset * 960), p.midi) for n in line for p in n.pitches]
    at_s = song_map().seconds_of_tick
    assert len(found) == len(notes)
    for (tick, midi), note in zip(sorted(found), notes, strict=True):
        assert midi == note.target.intended_midi
        # Half a tick: 60 / 92 / 960 / 2 s = 340 us in the first tempo, 355 in the second.
        assert abs(at_s(tick) - note.measured.note.start_s) <= 0.000356


@pytest.mark.outside
def test_midicsv_round_trip(tmp_path: Path) -> None:
    """midicsv lists the file, and csvmidi makes the same bytes of that list."""
    if shutil.which("midicsv") is None or shutil.which("csvmidi") is None:
        pytest.skip("the commands midicsv and csvmidi are not installed")
    path = tmp_path / "guide.mid"
    path.write_bytes(midi_bytes(guide_midi(plan(), song_map())))
    listed = subprocess.run(["midicsv", path], capture_output=True, check=True).stdout
    again = tmp_path / "again.mid"
    subprocess.run(["csvmidi", "-", again], input=listed, check=True)
    assert b"Title_t" in listed
    assert again.read_bytes() == path.read_bytes()


def test_missing_notes_are_noticed() -> None:
    """A track that lost a note, or is not there, is infinitely wrong, not unnoticed."""
    assert worst_start_error_s({"LV all": (1.0, 2.0)}, {"LV all": (1.0,)}) == float("inf")
    assert worst_start_error_s({"LV all": (1.0,)}, {}) == float("inf")
    assert worst_start_error_s({"LV all": (1.0,)}, {"LV all": (1.25,)}) == 0.25


# ---------------------------------------------------------------- the traces


def sounding_cents(track: Any, midi: int) -> list[tuple[int, float]]:
    """What an instrument at A4 = 440 plays once it obeys RPN 0 and 1: cents over the bare note."""
    assert [m.control for m in track[1:11]] == [101, 100, 6, 38, 101, 100, 6, 38, 101, 100]
    fine = ((track[7].value << 7) + track[8].value - 8192) / 81.92
    return [
        (t, m.pitch / 8192 * 100 * track[3].value + fine)
        for t, m in events(track)
        if m.type == "pitchwheel"
    ]


def test_only_one_tuning_is_asked_of_an_instrument() -> None:
    """The traces send A4 themselves: an instrument that obeys stays at 440, not set as well."""
    note = judged(start_s=1.0)
    (midi,) = guide_traces_midi(small_plan(note), None)
    texts = [m.text for m in midi.tracks[0] if m.type == "text"]
    assert [t for t in texts if "obeys it at A=440" in t]
    assert not [t for t in texts if "set your guide instrument" in t]
    guide = [m.text for m in guide_midi(small_plan(note), None).tracks[0] if m.type == "text"]
    assert [t for t in guide if "set your guide instrument to A=441.0" in t]


def test_curves_sound_as_measured_and_planned() -> None:
    """Bend and tuning together give the measured pitch, and in the other track the planned one."""
    note = judged(start_s=1.0, layers=(("R-001", 4.3),), add_cents=16.0)
    (midi,) = guide_traces_midi(small_plan(note), None)
    assert [t.name for t in midi.tracks[2:]] == ["LV measured", "LV planned"]
    contour = note.measured.measurement.contour_hz
    assert contour is not None
    known = contour[np.isfinite(contour)]
    over_note = 1200 * np.log2(known / (440 * 2 ** (5 / 12)))
    measured = dict(sounding_cents(midi.tracks[2], 74))
    planned = dict(sounding_cents(midi.tracks[3], 74))
    assert next(iter(measured.values())) == pytest.approx(over_note[0], abs=0.03)
    assert sorted(measured)[:-1] == sorted(planned)[:-1]
    for tick in sorted(measured)[:-1]:
        assert planned[tick] - measured[tick] == pytest.approx(20.3, abs=0.05)
        assert min(abs(over_note - measured[tick])) < 0.03


def test_bend_goes_home_and_stands_before_the_note() -> None:
    """At a shared tick a note ends, bend goes home, the next bend stands, then the note begins."""
    (midi,) = guide_traces_midi(
        small_plan(judged("LV-1", start_s=1.0), judged("LV-2", 76, start_s=2.4)), None
    )
    at_join = [(m.type, getattr(m, "pitch", None)) for t, m in events(midi.tracks[2]) if t == 4608]
    assert [kind for kind, _ in at_join] == ["note_off", "pitchwheel", "pitchwheel", "note_on"]
    assert at_join[1][1] == 0
    assert at_join[2][1] == bend_values(np.array([-60.0]))[0]
    last = [m for m in midi.tracks[2] if m.type == "pitchwheel"][-1]
    assert last.pitch == 0


def test_one_voice_a_channel_and_more_files() -> None:
    """Overlapping notes get a voice each; more voices than channels make more files."""
    chord = [judged(f"PNO-{i}", 60 + 4 * i, start_s=1.0) for i in range(3)]
    others = [judged(f"S{i}-1") for i in range(6)]
    files = guide_traces_midi(small_plan(*chord, *others), None)
    assert len(files) == 2
    assert [t.name for t in files[0].tracks[2:8]] == [
        "PNO measured", "PNO planned", "PNO measured 2", "PNO planned 2", "PNO measured 3",
        "PNO planned 3",
    ]  # fmt: skip
    for midi in files:
        used = [{m.channel for m in t if not m.is_meta} for t in midi.tracks[1:]]
        assert all(len(channels) == 1 for channels in used)
        flat = [channel for channels in used for channel in channels]
        assert len(flat) == len(set(flat))
        assert 9 not in flat


def test_unmeasured_notes_have_no_curve() -> None:
    """A note that was not measured has no curve; one with a sustain alone has a level one."""
    silent = judged("LV-1", start_s=1.0, measurement=Measurement(not_measured_because="noise"))
    assert guide_traces_midi(small_plan(silent), None) == ()
    level = judged("LV-2", start_s=4.0, measurement=Measurement(sustain_hz=441 * 2 ** (5 / 12)))
    (midi,) = guide_traces_midi(small_plan(silent, level), None)
    bends = [(t, m.pitch) for t, m in events(midi.tracks[2]) if m.type == "pitchwheel"]
    assert bends == [(7680, 0), (7680 + 2688, 0)]


def test_planned_add() -> None:
    """Points are straight lines, level beyond their ends; a cut has two sides; layers add."""
    times = np.array([1.0, 1.5, 2.0, 3.0])
    shaped = judged(start_s=1.0, action="shape", points=((0.0, 0.0), (1.0, 10.0)), add_cents=None)
    assert planned_add_cents(shaped, times) == pytest.approx([0, 5, 10, 10])
    cut = judged(
        start_s=1.0, action="start-only", add_cents=None, cut_s=1.6, onset_add_cents=-8.0,
        sustain_add_cents=0.0, layers=(("R-1", 2.0),),
    )  # fmt: skip
    assert planned_add_cents(cut, times) == pytest.approx([-6, -6, 2, 2])
    left = judged(start_s=1.0, action="leave", add_cents=None, layers=(("R-1", 2.0),))
    assert planned_add_cents(left, times) == pytest.approx([2, 2, 2, 2])


def test_same_plan_same_bytes() -> None:
    """The same plan gives the same bytes, twice, in both files."""
    for build in (lambda: [guide_midi(plan(), song_map())],
                  lambda: guide_traces_midi(plan(), song_map())):  # fmt: skip
        assert [midi_bytes(m) for m in build()] == [midi_bytes(m) for m in build()]
