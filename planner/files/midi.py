"""The only place that opens MIDI files: tempo maps and scores in, guides out and read back.

Foreign files are read leniently where nothing is lost (a data byte out of range is clipped, names
may be UTF-8 or Latin-1, tempo events may stand in any track) and refused in words where a guess
would move notes in time.
"""

import difflib
import io
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import mido
from mido.midifiles.meta import KeySignatureError

from planner.errors import PromiseError, ScoreError
from planner.timeline import TICKS_PER_QUARTER, TempoMap, tempo_map_from_events

_CONDUCTING = ("set_tempo", "time_signature", "key_signature")
# The reader of notes keeps one number per tick. Chosen: 4 h at 120 to the minute, about 240 MB.
_MOST_TICKS = 30_000_000
# Chosen: two readers that do floating-point sums over an hour differ by far less.
_READERS_AGREE_S = 1e-4


def read_tempo_file(path: Path, *, bar_one_at_s: float = 0.0) -> TempoMap:
    """Read tempo, meter and key of a Standard MIDI File, from all of its tracks.

    path: type 0 or 1, any resolution in ticks to the quarter.
    bar_one_at_s: where the file's tick 0, taken as bar 1 beat 1, lies in seconds of the stems.

    Raises ScoreError if the file is missing, broken, counts in frames, or states a tempo or meter
    that is none.
    """
    midi = _read(path)
    tempos, meters, keys = [], [], []
    for tick, event in _conducting(midi):
        if event.type == "set_tempo":
            tempos.append((tick, event.tempo))
        elif event.type == "time_signature":
            meters.append((tick, event.numerator, event.denominator))
        else:
            keys.append((tick, event.key))
    try:
        return tempo_map_from_events(
            tempos, meters, keys, ticks_per_quarter=midi.ticks_per_beat, bar_one_at_s=bar_one_at_s
        )
    except ValueError as error:
        raise ScoreError(
            f"{error}.", file=path.name, hint="Export the tempo map from your session again."
        ) from error


def read_score(path: Path, track: str | None) -> list[tuple[float, float, int]]:
    """Read the notes of one track of a score.

    path: a Standard MIDI File.
    track: the track's name; None where only one track has notes. Drums (channel 10) are no notes.

    Returns (start_s, end_s, midi) of each, in seconds from the score's own tick 0 by its own tempo;
    ascending by start, then pitch.

    Raises ScoreError if the file cannot be read, the track is not there, or none was named and
    several have notes.
    """
    midi = _read(path)
    _gather_conducting(midi)
    everything = [part for part in _pretty(midi, path.name).instruments if part.notes]
    parts = [part for part in everything if not part.is_drum]
    names = [part.name.strip() for part in parts]
    told = ", ".join(repr(name) for name in dict.fromkeys(names))
    if not parts:
        what = "has nothing but drums in it." if everything else "has no notes in it."
        raise ScoreError(what, file=path.name, hint="Name another score.")
    if track is None:
        if len(set(names)) > 1:
            what = f"has notes in {len(set(names))} tracks."
            hint = f"Say which with track: {told}."
            raise ScoreError(what, file=path.name, hint=hint)
        chosen = parts
    else:
        wanted = track.strip()
        same = [name for name in names if name == wanted] or [
            name for name in names if name.casefold() == wanted.casefold()
        ]
        chosen = [part for part, name in zip(parts, names, strict=True) if name in same]
        if not chosen:
            near = difflib.get_close_matches(wanted, names, n=1, cutoff=0.5)
            guess = f"Did you mean {near[0]!r}? " if near else ""
            what = f"has no notes in a track named {track!r}."
            hint = f"{guess}Tracks with notes: {told}."
            raise ScoreError(what, file=path.name, hint=hint)
    notes = [
        (float(note.start), float(note.end), int(note.pitch))
        for part in chosen
        for note in part.notes
    ]
    return sorted(notes, key=lambda note: (note[0], note[2]))


def read_lyrics(path: Path, track: str | None) -> list[tuple[float, str]]:
    """Read the lyric events of a score: (s from its tick 0, text as it stands), by time.

    Those of the track that is named, or, where it has none, those of the tracks without notes: some
    programs keep words in a track of their own. Of a score with one track of notes, all.

    Raises ScoreError if the file cannot be read.
    """
    midi = _read(path)
    tempo_map = read_tempo_file(path)
    own: list[tuple[int, str]] = []
    apart: list[tuple[int, str]] = []
    for one in midi.tracks:
        said = [(at, e.text) for at, e in _timed(one) if e.type == "lyrics" and e.text.strip()]
        if track is None or one.name.strip().casefold() == track.strip().casefold():
            own += said
        elif not any(event.type == "note_on" for event in one):
            apart += said
    scale = Fraction(TICKS_PER_QUARTER, midi.ticks_per_beat)
    return [(tempo_map.seconds_of_tick(tick * scale), text) for tick, text in sorted(own or apart)]


def midi_bytes(midi: mido.MidiFile) -> bytes:
    """Give a MIDI file as bytes, its text in UTF-8."""
    out = io.BytesIO()
    mido.MidiFile(
        type=midi.type, ticks_per_beat=midi.ticks_per_beat, charset="utf-8", tracks=midi.tracks
    ).save(file=out)
    return out.getvalue()


def read_back_guide(path: Path) -> dict[str, tuple[float, ...]]:
    """Read a written guide with two unlike readers and say where its notes start.

    Gives track name to starts, ascending, in seconds from the file's tick 0.

    Raises PromiseError if the two readers disagree about a track; ScoreError if the file cannot be
    read.
    """
    midi = _read(path)
    tempo_map = read_tempo_file(path)
    by_ticks: dict[str, list[float]] = {}
    for track in midi.tracks:
        for tick, event in _timed(track):
            if event.type == "note_on" and event.velocity > 0:
                by_ticks.setdefault(track.name, []).append(tempo_map.seconds_of_tick(tick))
    by_seconds: dict[str, list[float]] = {}
    for part in _pretty(midi, path.name).instruments:
        by_seconds.setdefault(part.name, []).extend(float(note.start) for note in part.notes)
    starts = {name: tuple(sorted(found)) for name, found in by_seconds.items() if found}
    if _far_apart(by_ticks, starts):
        raise PromiseError(
            "two readers of the guide that was just written disagree about where its notes start.",
            file=path.name,
            hint="Do not use this guide; the edit list's seconds are right.",
        )
    return starts


def _far_apart(one: dict[str, list[float]], other: dict[str, tuple[float, ...]]) -> bool:
    if one.keys() != other.keys():
        return True
    return any(
        len(one[name]) != len(other[name])
        or any(abs(a - b) > _READERS_AGREE_S for a, b in zip(one[name], other[name], strict=True))
        for name in one
    )


def _read(path: Path) -> Any:
    """Open a MIDI file with mido, leniently; its texts as UTF-8, else as Latin-1."""
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise ScoreError(
            "there is no such MIDI file.", file=path.name, hint="Check the name and the folder."
        ) from error
    except OSError as error:
        what = f"the MIDI file cannot be opened: {error.strerror or error}."
        hint = "Check that it is a file and that you may read it."
        raise ScoreError(what, file=path.name, hint=hint) from error
    try:
        try:
            midi = mido.MidiFile(file=io.BytesIO(data), charset="utf-8", clip=True)
        except UnicodeDecodeError:
            midi = mido.MidiFile(file=io.BytesIO(data), charset="latin1", clip=True)
    except KeySignatureError as error:
        what = "states a key with more than seven sharps or flats, or a broken one."
        hint = "Export it again without key signatures."
        raise ScoreError(what, file=path.name, hint=hint) from error
    except (OSError, EOFError, ValueError, LookupError, TypeError) as error:
        what = "is no Standard MIDI File." if data[:4] != b"MThd" else "is broken or cut short."
        raise ScoreError(what, file=path.name, hint="Export it again as .mid.") from error
    if midi.ticks_per_beat < 0:
        what = "counts time in frames (SMPTE), not in beats, so it holds no tempo map."
        hint = "Export it again with ticks to the quarter note."
        raise ScoreError(what, file=path.name, hint=hint)
    if midi.type not in (0, 1) or midi.ticks_per_beat == 0 or not midi.tracks:
        raise ScoreError(
            f"is of type {midi.type} with {len(midi.tracks)} tracks and {midi.ticks_per_beat} "
            "ticks to the quarter; its tracks share no common time.",
            file=path.name,
            hint="Export it again as type 0 or 1.",
        )
    return midi


def _conducting(midi: Any) -> list[tuple[int, Any]]:
    """Every tempo, meter and key event with its absolute tick, in order of ticks, then tracks."""
    timed = (one for track in midi.tracks for one in _timed(track))
    return sorted((one for one in timed if one[1].type in _CONDUCTING), key=lambda one: one[0])


def _timed(track: Any) -> Iterator[tuple[int, Any]]:
    """The events of a track, each with its absolute tick."""
    tick = 0
    for event in track:
        tick += event.time
        yield tick, event


def _gather_conducting(midi: Any) -> None:
    """Move tempo, meter and key events into a track of their own in front.

    The reader of notes looks for tempo in the first track alone, and would put the notes of other
    files at wrong times.
    """
    conductor = mido.MidiTrack()
    now = 0
    for tick, event in _conducting(midi):
        conductor.append(event.copy(time=tick - now))
        now = tick
    for track in midi.tracks:
        carried = 0
        kept = []
        for event in track:
            carried += event.time
            if event.type not in _CONDUCTING:
                kept.append(event.copy(time=carried))
                carried = 0
        track[:] = kept
    midi.tracks.insert(0, conductor)
    for track in midi.tracks:
        if not track:  # a file that states no tempo is legal: 120 to the minute
            track.append(mido.MetaMessage("end_of_track"))


def _pretty(midi: Any, file: str) -> Any:
    """Hand a file read by mido to pretty_midi, which also alters it."""
    import pretty_midi  # slow to import, and only runs that read notes need it

    pretty_midi.pretty_midi.MAX_TICK = _MOST_TICKS
    try:
        return pretty_midi.PrettyMIDI(mido_object=midi)
    except (ValueError, LookupError) as error:
        what = "its notes cannot be made out; it may be broken."
        hint = "Export it again as .mid."
        raise ScoreError(what, file=file, hint=hint) from error
