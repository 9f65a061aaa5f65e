"""Is a held note a wrong one: strange to the typed key, and a semitone beside what others hold?

A semitone that was slipped is in tune by itself, so no figure tells of it. What comes more often
than twice is how the song goes.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence

from planner.clashes import SoundingNote
from planner.model import FIXED_ROLES, Finding
from planner.pitch import note_name
from planner.target.held_chords import HELD_S
from planner.target.typed_keys import key_at, notes_of
from planner.timeline import TempoMap
from planner.words.session_model import Session
from planner.words.wording import place

_MOST_TIMES = 2  # chosen: in all parts together, in any octave
_MOST_OF_IT = 0.5  # chosen: of the note's length another part holds the semitone beside


def strange_findings(
    session: Session, tempo_map: TempoMap | None, notes: Sequence[SoundingNote]
) -> tuple[Finding, ...]:
    """Ask about held notes that may be wrong: no other part has them, and one what lies beside.

    notes: of all stems, on the common clock
    """
    times = Counter(n.midi % 12 for n in notes if n.role != "drum-tones")
    found = []
    for n in sorted(notes, key=lambda n: (n.start_s, n.id)):
        key = key_at(session, tempo_map, n.start_s)
        in_key = None if key is None else notes_of(key)
        if key is None or in_key is None or n.midi % 12 in in_key or n.role in FIXED_ROLES:
            continue
        if round(n.end_s - n.start_s, 3) < HELD_S or times[n.midi % 12] > _MOST_TIMES:
            continue
        held = _held_by_others(n, notes)
        beside = [m for m in (n.midi - 1, n.midi + 1) if m % 12 in in_key and m % 12 in held]
        if not beside or n.midi % 12 in held:
            continue
        bar, beat = tempo_map.played_at(n.start_s) if tempo_map else (None, None)
        found.append(
            Finding(
                severity="question",
                what=f"{n.stem} holds {note_name(n.midi)} ({place(bar, beat, n.start_s)}), which "
                f"is not in {key.tonic} {key.mode}, while {held[beside[0] % 12]} sounds "
                f"{note_name(beside[0])[:-1]}: a wrong note?",
                did="It was judged as the note that it is.",
                advice="Listen to it: a semitone is a job for another take.",
                stem=n.stem,
            )
        )
    return tuple(found)


def _held_by_others(n: SoundingNote, notes: Sequence[SoundingNote]) -> dict[int, str]:
    """The notes, 0 for C, that another stem sounds for most of one, with its code."""
    lasts_s: defaultdict[tuple[int, str], float] = defaultdict(float)
    for other in notes:
        both_s = min(n.end_s, other.end_s) - max(n.start_s, other.start_s)
        if other.stem != n.stem and other.role != "drum-tones" and both_s > 0.0:
            lasts_s[other.midi % 12, other.stem] += both_s
    most_s = _MOST_OF_IT * (n.end_s - n.start_s)
    return {midi: stem for (midi, stem), s in lasts_s.items() if s >= most_s}
