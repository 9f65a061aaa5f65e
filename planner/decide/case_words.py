"""What the reasons of the decision table say of one note, word by word."""

from planner.decide.cases import Case
from planner.decide.moves import Move
from planner.pitch import note_name
from planner.words.wording import amount, bleed_doubt, flat_or_sharp


def _either(case: Case) -> str:
    """The two notes that a pitch lies between, by name, lower first."""
    near = case.aimed.target.intended_midi
    other = near + (1 if (case.heard or 0.0) > 0 else -1)
    return f"{note_name(min(near, other))} or {note_name(max(near, other))}"


def _leans_to(case: Case) -> int:
    """The note of the chord, or of the key, that one outside of it leans to (MIDI)."""
    key = case.leans_to_key
    return case.chord_tone_beside or (0 if key is None else key.midi)


def _left(case: Case, move: Move | None) -> str:
    rest = move.remaining_cents if move else 0.0
    if case.gives_way_cents is not None:
        return f"ends {flat_or_sharp(rest)}, where it beats least"
    why = "as more would clash" if case.part_way_cents is not None else "which is safer"
    return "moved all the way" if round(abs(rest)) == 0 else f"stops {abs(rest):.0f} short, {why}"


def words_of(case: Case, move: Move | None, *, rises: bool) -> dict[str, str]:
    """Give the words that the sentences of the decision table are filled in with.

    rises: whether the note rises into its pitch plainly, and its start alone is off.
    """
    m = case.aimed.measured.measurement
    lean = m.slope_cents_per_s or 0.0
    u, name = case.uncertainty, note_name(case.aimed.target.intended_midi)
    held, short = case.length_s >= 1.0, case.length_s < case.tolerances.part_rule.sustained_from_s
    return {
        "protected_by": case.protected_by,
        "comes_round": case.comes_round,
        "unmeasured": m.not_measured_because or "no firm pitch in it",
        "off": flat_or_sharp(case.heard),
        "onset_off": flat_or_sharp(case.onset),
        "sustain_off": flat_or_sharp(case.sustain),
        "end_off": flat_or_sharp(case.end),
        "chord": "" if case.chord is None else case.chord.text,
        "key": "" if case.leans_to_key is None else case.leans_to_key.key,
        "leans_to": note_name(_leans_to(case)),
        "intended": name,
        "either": _either(case),
        "meant": f", {name} was meant, as {case.known_by}"
        if case.known_by and case.far_off
        else "",
        "tolerance": "" if case.role == "exclude" else amount(case.t),
        "smallest_gain": amount(case.tolerances.limits.smallest_gain_cents),
        "give": "" if u is None else f", give or take {amount(u)}",
        "pair": f", together with {case.beats_with}" if case.beats_with else "",
        "against": f" against {case.beats_with}" if case.beats_with else "",
        "bleed": bleed_doubt(case.aimed.measured.bleed_db, case.aimed.measured.bleed_from),
        "lean": f"{amount(lean)} a second {'upward' if lean > 0 else 'downward'}",
        "vibrato": ", vibrato kept" if m.vibrato_hz else "",
        "settle": f"{m.settle_s or 0.0:.2f}",
        "kind": "held note" if held else "short note" if short else "note",
        "kept": "rise into it kept, " if rises else "",
        "beats": f"beats with {case.beats_with}" if case.beats_with else "beats",
        "would_beat": f"moved, it would clash with {case.beats_if_moved}"
        if case.beats_if_moved
        else "an edit of its own would make the session no better",
        "left": _left(case, move),
    }
