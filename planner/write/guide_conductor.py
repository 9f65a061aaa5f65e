"""Track 0 of a guide: how to use it in words, tempo, meters, keys, and markers."""

import unicodedata
from collections.abc import Iterable

import mido

from planner.pitch import key_fifths, key_of_fifths
from planner.timeline import TempoMap
from planner.words.plan_model import Plan, Row
from planner.words.session_model import KeyMark

TOP_MARKERS = 40  # chosen: what a marker list shows without scrolling for long
MARKER_CHARACTERS = 24  # chosen: longer names are cut in marker lists
CHECKS = 4  # chosen: a check each quarter of the song

Event = tuple[int, int, "mido.Message | mido.MetaMessage"]  # tick, order at that tick, message

_MINOR_THIRD = {"minor", "aeolian", "dorian", "phrygian", "locrian"}


def conductor_events(
    plan: Plan, grid: TempoMap, texts: Iterable[str], end: int, *, has_map: bool
) -> list[Event]:
    """Give everything of track 0 but its name: texts, meters, keys, tempi, markers.

    grid: with its events on ticks of 960 to the quarter.
    texts: one text event each, at tick 0.
    end: tick of the end post; nothing is written after it.
    has_map: whether the session gave a tempo map, so that bars mean something.
    """
    events: list[Event] = [
        (0, 0, mido.MetaMessage("text", text=plain_text(text))) for text in texts
    ]
    for tick, beats, unit in grid.meters:
        # Standard MIDI File 1.0: 24 clocks to the quarter; three beats a click in 6/8 and its kin.
        compound = unit >= 8 and beats > 3 and beats % 3 == 0
        clocks = max(1, 96 // unit * (3 if compound else 1))
        meter = mido.MetaMessage(
            "time_signature", numerator=beats, denominator=unit, clocks_per_click=clocks
        )
        events.append((tick, 1, meter))
    keys = grid.keys or _key_events(plan.session.keys, grid, has_map=has_map)
    events += [(tick, 2, mido.MetaMessage("key_signature", key=key)) for tick, key in keys]
    events += [(tick, 3, mido.MetaMessage("set_tempo", tempo=us)) for tick, us in grid.tempos]
    if grid.start_s < 0:
        events.append((grid.tick_at(0.0), 4, mido.MetaMessage("marker", text="FILE START")))
    for at_s, label in [*_checks(grid, end), *_row_markers(plan)]:
        marker = mido.MetaMessage("marker", text=label)
        events.append((max(0, grid.tick_at(at_s)), 5, marker))
    # Events that lie past the end (a map longer than the song) would stretch the file.
    return [event for event in events if event[0] <= end]


def conductor_texts(plan: Plan, grid: TempoMap, *, has_map: bool) -> list[str]:
    """Say in sentences how to use the guide: session A4, tempo, where tick 0 lies."""
    session = plan.session
    a4 = plan.a4.a4_hz
    texts = [f"Session A4 = {a4:.2f} Hz: set your guide instrument to A={a4:.1f}."]
    if session.temperament != "equal" or plan.a4.stretch:
        texts.append(
            "Targets also follow the session's temperament and octave stretch; "
            "the edit list has each one in Hz."
        )
    if not has_map:
        texts.append(
            "No tempo map was given: 120 to the minute throughout, one beat is 0.5 s. "
            "Set your project to 120; bar numbers here are not the song's."
        )
    if grid.bars_before:
        count = f"{grid.bars_before} bar" + ("s" if grid.bars_before > 1 else "")
        texts.append(
            f"Music before bar 1: this file starts {count} before bar 1, "
            f"{-grid.start_s:.4f} s before the stems' first sample (marker FILE START)."
        )
    elif grid.start_s < 0:
        texts.append(
            f"This file starts at bar 1, {-grid.start_s:.4f} s before the stems' first sample "
            "(marker FILE START)."
        )
    else:
        texts.append("This file starts with the stems' first sample.")
    if session.start_timecode:
        rate = f" at {session.frame_rate}" if session.frame_rate else ""
        texts.append(f"The stems start at timecode {session.start_timecode}{rate}.")
    texts.append("Seconds count from the stems' first sample; up 16 means raise by 16 cents.")
    texts.append("Middle C, MIDI 60, is C4 here; some programs call it C3.")
    if plan.missing:
        texts.append("Left out: " + ", ".join(plan.missing) + ".")
    return texts


def _checks(grid: TempoMap, end: int) -> list[tuple[float, str]]:
    """Places where bar, beat and seconds can be compared after an import."""
    marks = {}
    for part in range(1, CHECKS + 1):
        bar, beat = grid.bar_beat(grid.seconds_of_tick(end * part // CHECKS))
        beat = float(int(beat))
        at_s = grid.seconds_at(bar, beat)
        if 0 <= at_s <= grid.seconds_of_tick(end):
            marks[at_s] = f"CHECK bar {bar} beat {beat:g} = {at_s:.3f}s"
    return list(marks.items())


def _row_markers(plan: Plan) -> list[tuple[float, str]]:
    """The offenders by rank, then the heaviest other rows, as ``LV-0147 up 16``."""
    rows = {row.id: row for row in plan.rows}
    chosen = [rows[offender.row_id] for offender in plan.offenders if offender.row_id in rows]
    taken = {row.id for row in chosen}
    others = [row for row in plan.rows if row.severity and row.id not in taken]
    chosen += sorted(others, key=lambda row: -(row.severity or 0.0))
    placed = [(row.start_s, marker_label(row)) for row in chosen if row.start_s is not None]
    return placed[:TOP_MARKERS]


def marker_label(row: Row) -> str:
    """Name a row and its move in at most 24 ASCII characters: ``LV-0147 up 16``."""
    if row.add_cents is not None:
        move = _move(row.add_cents)
    elif row.onset_add_cents and not row.sustain_add_cents:
        move = f"start {_move(row.onset_add_cents)}"
    else:
        move = row.action
    ascii_only = unicodedata.normalize("NFKD", f"{row.id} {move}").encode("ascii", "ignore")
    return ascii_only.decode("ascii")[:MARKER_CHARACTERS].rstrip()


def _move(cents: float) -> str:
    return f"{'up' if cents >= 0 else 'down'} {round(abs(cents))}"


def _key_events(
    marks: Iterable[KeyMark], grid: TempoMap, *, has_map: bool
) -> list[tuple[int, str]]:
    events = []
    for mark in marks:
        key = key_signature(mark.tonic, mark.mode)
        if key is None or (mark.bar > 1 and not has_map):
            continue
        tick = grid.tick_at(grid.seconds_at(mark.bar)) if mark.bar > 1 else 0
        events.append((tick, key))
    return events


def key_signature(tonic: str, mode: str) -> str | None:
    """Give the key signature of a tonic and mode, "D" or "F#m"; None where no signature exists.

    Church modes get the signature of their scale: D dorian has none of its own, so it is written
    as "Am", no sharps and no flats. Standard MIDI File 1.0 knows seven flats to seven sharps.
    """
    fifths = key_fifths(tonic, mode)
    if fifths is None:
        return None
    minor = mode.lower() in _MINOR_THIRD
    return key_of_fifths(fifths, "minor" if minor else "major").split()[0] + "m" * minor


def plain_text(text: str) -> str:
    """One line, composed letters, no control characters: a name any program can show."""
    text = unicodedata.normalize("NFC", text)
    return "".join(" " if unicodedata.category(sign) == "Cc" else sign for sign in text).strip()
