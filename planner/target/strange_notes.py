"""Is a held note a wrong one: strange to the typed key, and a semitone beside what others hold?

A semitone that was slipped is in tune by itself, so no figure tells of it. What comes more often
than twice is how the song goes.
"""

from collections.abc import Sequence
from dataclasses import replace

from planner.clashes import SoundingNote
from planner.model import FIXED_ROLES, Finding
from planner.pitch import note_name
from planner.target.held_chords import HELD_S
from planner.target.song_notes import song_of
from planner.target.typed_keys import key_at, notes_of
from planner.timeline import TempoMap
from planner.words.session_model import Session
from planner.words.wording import place

_MOST_TIMES = 2  # chosen: in all parts together, in any octave


def strange_findings(
    session: Session, tempo_map: TempoMap | None, notes: Sequence[SoundingNote]
) -> tuple[Finding, ...]:
    """Ask about held notes that may be wrong: no other part has them, and one what lies beside.

    notes: of all stems, on the common clock
    """
    song, found = song_of(notes), []
    for n in sorted(notes, key=lambda n: (n.start_s, n.id)):
        key = key_at(session, tempo_map, n.start_s)
        in_key = None if key is None else notes_of(key)
        if key is None or in_key is None or n.midi % 12 in in_key or n.role in FIXED_ROLES:
            continue
        if round(n.end_s - n.start_s, 3) < HELD_S or song.times(n.midi) > _MOST_TIMES:
            continue
        near = [m for m in (n.midi - 1, n.midi + 1) if m % 12 in in_key]
        held = {m: part for m in near if (part := song.also_in(replace(n, midi=m)))}
        if not held or song.also_in(n):
            continue
        beside, part = next(iter(held.items()))
        bar, beat = tempo_map.played_at(n.start_s) if tempo_map else (None, None)
        found.append(
            Finding(
                severity="question",
                what=f"{n.stem} holds {note_name(n.midi)} ({place(bar, beat, n.start_s)}), which "
                f"is not in {key.tonic} {key.mode}, while {part} sounds {note_name(beside)[:-1]}: "
                "a wrong note?",
                did="It was judged as the note that it is.",
                advice="Listen to it: a semitone is a job for another take.",
                stem=n.stem,
            )
        )
    return tuple(found)
