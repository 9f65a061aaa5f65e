"""The plan as MIDI in memory: the notes that were meant, and the curves that were measured.

Conventions
-----------
- Standard MIDI File, type 1, 960 ticks to the quarter, 14-bit values high byte first in RPNs.
- Track 0 conducts: every tempo, meter, key, marker and text stands there and nowhere else, so that
  note tracks carry nothing but a name and notes.
- Tick 0 is the stems' first sample where bar 1 starts there. With music before bar 1, tick 0 lies
  whole bars before bar 1 and the text says by how many; ``TempoMap.start_s`` is its time.
- Each start and end is rounded to a tick once, from seconds, so nothing creeps. Half a tick is
  below 1 ms at 31.25 quarters a minute or faster; `guide_within_s` says how much it is below that.
- Track names are UTF-8; markers are ASCII of at most 24 characters (the checks are longer).
- Velocity is always 80: it carries no hidden meaning. No program changes; channel 10 is left out.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import mido

from planner.timeline import TICKS_PER_QUARTER, TempoMap, fixed_tempo_map
from planner.words.plan_model import MOVING_ACTIONS, Judged, Plan
from planner.write.guide_conductor import Event, conductor_events, conductor_texts, plain_text
from planner.write.guide_curves import curve_bends, tuning_messages

VELOCITY = 80  # chosen: fixed, so that nobody reads a meaning into it
POST_VELOCITY = 1  # chosen: there for the importer, not for the ear
POST_MIDI = 60  # chosen: middle C, on every keyboard
POST_TICKS = TICKS_PER_QUARTER // 4
_PROMISED_S = 0.001
_LAST_BITS_S = 1e-7  # of sums over a song, in double precision

# Channels counted from 0. Channel 10 is drums by convention (General MIDI level 1, from memory);
# the last one is the posts'.
_CHANNELS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 11, 12, 13, 14)
_POST_CHANNEL = 15
# Order of events that share a tick: a note ends, bend goes home, tuning, bend, the next begins.
_NAME, _OFF, _RESET, _TUNING, _BEND, _ON = range(6)


@dataclass(frozen=True, slots=True)
class _Span:
    """A note on the grid."""

    start_s: float  # as asked for, before rounding to a tick
    start: int
    end: int
    midi: int
    judged: Judged


def guide_midi(plan: Plan, tempo_map: TempoMap | None) -> mido.MidiFile:
    """Write the notes that were meant: per stem ``LV all`` and, of those, ``LV fixes``.

    plan: the whole plan. A note is in ``fixes`` when its own action moves pitch.
    tempo_map: None: 120 to the minute throughout, one beat is half a second, and track 0 says so.

    There is no bend in it. Above 14 stems channels are used again, which track 0 says.
    """
    grid = (tempo_map or fixed_tempo_map()).on_guide_grid()
    stems = _spans(plan, grid)
    end = _end_tick(plan, grid)
    has_map = tempo_map is not None
    texts = conductor_texts(plan, grid, has_map=has_map)
    if len(stems) > len(_CHANNELS):
        texts.append(f"{len(stems)} stems: channels are used more than once, tracks are not.")
    tracks = [_conductor(plan, grid, texts, end, has_map=has_map), _posts(end)]
    for index, (code, spans) in enumerate(stems.items()):
        channel = _CHANNELS[index % len(_CHANNELS)]
        fixes = [span for span in spans if span.judged.action in MOVING_ACTIONS]
        tracks.append(_track(f"{code} all", _note_events(spans, channel), end))
        tracks.append(_track(f"{code} fixes", _note_events(fixes, channel), end))
    return _file(tracks)


def guide_traces_midi(plan: Plan, tempo_map: TempoMap | None) -> tuple[mido.MidiFile, ...]:
    """Write the measured and the planned pitch curves as bend around the notes that were meant.

    plan, tempo_map: as in `guide_midi`.

    Per stem ``LV measured`` and ``LV planned``, one voice a channel (``LV measured 2`` where
    notes of a stem overlap). Seven pairs fill a file, so a large session gives several; a plan
    without any measured note gives none. Notes that were not measured are left out.
    """
    grid = (tempo_map or fixed_tempo_map()).on_guide_grid()
    voices = [
        (code, number, spans)
        for code, all_spans in _spans(plan, grid).items()
        for number, spans in enumerate(_voices(all_spans), start=1)
    ]
    pairs = len(_CHANNELS) // 2
    files = []
    for first in range(0, len(voices), pairs):
        end = _end_tick(plan, grid)
        has_map = tempo_map is not None
        texts = [
            # In place of the guide's own first sentence: here the file tunes the instrument.
            f"Session A4 = {plan.a4.a4_hz:.2f} Hz, sent here as RPN 1: leave an instrument that "
            "obeys it at A=440.",
            *conductor_texts(plan, grid, has_map=has_map)[1:],
            "Bend range is 2 semitones each way (RPN 0); a curve that goes further stops there.",
        ]
        tracks = [_conductor(plan, grid, texts, end, has_map=has_map), _posts(end)]
        for index, (code, number, spans) in enumerate(voices[first : first + pairs]):
            for side, kind in enumerate(("measured", "planned")):
                channel = _CHANNELS[2 * index + side]
                name = f"{code} {kind}" + (f" {number}" if number > 1 else "")
                events = _note_events(spans, channel)
                events += [(0, _TUNING, m) for m in tuning_messages(channel, plan.a4.a4_hz)]
                bends: list[tuple[int, int]] = []
                for span in spans:
                    bends += curve_bends(
                        span.judged, span.midi, plan.a4.a4_hz, grid.ticks_at, span.start, span.end,
                        planned=kind == "planned",
                    )  # fmt: skip
                    events.append((span.end, _RESET, mido.Message("pitchwheel", channel=channel)))
                tracks.append(_track(name, events, end, bends, channel))
        files.append(_file(tracks))
    return tuple(files)


def guide_note_starts(plan: Plan, tempo_map: TempoMap | None) -> dict[str, tuple[float, ...]]:
    """Say where each note of `guide_midi` was asked to start, for comparing with what was written.

    Gives track name to starts, ascending, in seconds from tick 0 of the guide. Tracks without
    notes are left out; the posts too.
    """
    grid = (tempo_map or fixed_tempo_map()).on_guide_grid()
    asked = {}
    for code, spans in _spans(plan, grid).items():
        fixes = [span for span in spans if span.judged.action in MOVING_ACTIONS]
        for name, some in ((f"{code} all", spans), (f"{code} fixes", fixes)):
            if some:
                asked[name] = tuple(sorted(span.start_s - grid.start_s for span in some))
    return asked


def guide_within_s(tempo_map: TempoMap | None) -> float:
    """Say how near the notes of a guide are promised to lie, s: 1 ms, or half a tick if longer."""
    grid = (tempo_map or fixed_tempo_map()).on_guide_grid()
    slowest_us = max(us for _, us in grid.tempos)
    return max(_PROMISED_S, (0.5 / TICKS_PER_QUARTER) * slowest_us * 1e-6 + _LAST_BITS_S)


def worst_start_error_s(
    asked: Mapping[str, Sequence[float]], written: Mapping[str, Sequence[float]]
) -> float:
    """Give the largest distance in seconds between asked and written starts; inf if one is missing.

    asked, written: track name to ascending starts, of `guide_note_starts`, and of
        `planner.files.midi.read_back_guide` of the written file.
    """
    worst = 0.0
    for name, starts in asked.items():
        found = written.get(name, ())
        if len(found) != len(starts):
            return float("inf")
        worst = max([worst, *(abs(a - b) for a, b in zip(starts, found, strict=True))])
    return worst


# ---------------------------------------------------------------- notes


def _spans(plan: Plan, grid: TempoMap) -> dict[str, list[_Span]]:
    """Put every note of the plan on the grid, by stem; no pitch of a stem overlaps itself."""
    by_stem: dict[str, list[Judged]] = {}
    for judged in plan.judged:
        by_stem.setdefault(judged.measured.note.stem, []).append(judged)
    return {code: _without_overlap(notes, grid) for code, notes in by_stem.items()}


def _without_overlap(notes: Iterable[Judged], grid: TempoMap) -> list[_Span]:
    spans = []
    for judged in notes:
        note = judged.measured.note
        midi = judged.target.intended_midi
        if not 0 <= midi <= 127:
            continue  # beyond what MIDI can name; no instrument of a session plays there
        start = max(0, grid.tick_at(note.start_s))
        end = max(start + 1, grid.tick_at(note.end_s))
        spans.append(_Span(note.start_s, start, end, midi, judged))
    spans.sort(key=lambda span: (span.midi, span.start, -span.end))
    kept = []
    for _, group in groupby(spans, key=lambda span: span.midi):
        same = list(group)
        starts = sorted({span.start for span in same})
        following = dict(pairwise(starts))
        seen = set()
        for span in same:
            if span.start in seen:
                continue  # the same pitch twice at one tick: the longer one stands for both
            seen.add(span.start)
            end = min(span.end, following.get(span.start, span.end))
            kept.append(_Span(span.start_s, span.start, end, span.midi, span.judged))
    return sorted(kept, key=lambda span: (span.start, span.midi))


def _note_events(spans: Iterable[_Span], channel: int) -> list[Event]:
    events: list[Event] = []
    for span in spans:
        on = mido.Message("note_on", channel=channel, note=span.midi, velocity=VELOCITY)
        off = mido.Message("note_off", channel=channel, note=span.midi, velocity=64)
        events += [(span.start, _ON, on), (span.end, _OFF, off)]
    return events


def _voices(spans: Sequence[_Span]) -> list[list[_Span]]:
    """Share measured notes out so that no two of one voice sound at once: bend moves a channel."""
    voices: list[list[_Span]] = []
    for span in spans:
        measurement = span.judged.measured.measurement
        if measurement.sustain_hz is None and measurement.contour_hz is None:
            continue
        free = next((voice for voice in voices if voice[-1].end <= span.start), None)
        if free is None:
            voices.append([span])
        else:
            free.append(span)
    return voices


# ---------------------------------------------------------------- tracks


def _file(tracks: list[mido.MidiTrack]) -> mido.MidiFile:
    return mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER, charset="utf-8", tracks=tracks)


def _track(
    name: str,
    events: Iterable[Event],
    end: int,
    bends: Iterable[tuple[int, int]] = (),
    channel: int = 0,
) -> mido.MidiTrack:
    """Turn events and bends at absolute ticks into a track that lasts until the end post ends."""
    named = (0, _NAME, mido.MetaMessage("track_name", name=plain_text(name)))
    bent = ((tick, _BEND, value) for tick, value in bends)
    track = mido.MidiTrack()
    now = 0
    for tick, _, what in sorted([named, *events, *bent], key=lambda event: event[:2]):
        # Checked when it was made, bends by `bend_values`; once more would take most of the time.
        track.append(
            mido.Message(
                "pitchwheel", skip_checks=True, channel=channel, pitch=what, time=tick - now
            )
            if isinstance(what, int)
            else what.copy(skip_checks=True, time=tick - now)
        )
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=end + POST_TICKS - now))
    return track


def _posts(end: int) -> mido.MidiTrack:
    """One soft note at the very start and one at the end: importers cut leading emptiness off."""
    events: list[Event] = []
    for tick in (0, end):
        on = mido.Message("note_on", channel=_POST_CHANNEL, note=POST_MIDI, velocity=POST_VELOCITY)
        off = mido.Message("note_off", channel=_POST_CHANNEL, note=POST_MIDI, velocity=64)
        events += [(tick, _ON, on), (tick + POST_TICKS, _OFF, off)]
    return _track("start and end posts", events, end)


def _end_tick(plan: Plan, grid: TempoMap) -> int:
    ends = [facts.length_s for _, facts in plan.facts]
    ends += [judged.measured.note.end_s for judged in plan.judged]
    # Never on top of the start post.
    return max(POST_TICKS, *(grid.tick_at(end) for end in ends), 0)


def _conductor(
    plan: Plan, grid: TempoMap, texts: Sequence[str], end: int, *, has_map: bool
) -> mido.MidiTrack:
    events = conductor_events(plan, grid, texts, end, has_map=has_map)
    return _track(plan.session.song or "guide", events, end)
