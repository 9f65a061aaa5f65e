"""Notes keep their ids from run to run: the same, moved, cut, joined, gone and come back."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.answer.ledger import Known, Ledger
from planner.answer.note_ids import heard_as_before, keep_ids
from planner.model import Finding, MeasuredNote, StemNotes
from planner.timeline import TempoMap, tempo_map_from_marks
from planner.words.session_model import TempoMark
from tests.deciding import note, stem

A4 = 440.0
MIDIS = (60, 62, 64, 62, 67, 65, 60, 64)


def melody(*, late_s: float = 0.0, midis: tuple[int, ...] = MIDIS) -> list[MeasuredNote]:
    return [
        note(f"LV-x{k}", m, 3.0, start_s=1.0 + k + late_s, length_s=0.8)
        for k, m in enumerate(midis)
    ]


def first(notes: list[MeasuredNote]) -> Ledger:
    return keep_ids((stem("LV", "lead-voice", notes),), A4, ())[1]


def ids(stems: tuple[StemNotes, ...]) -> list[str]:
    return [n.id for s in stems for n in s.notes]


def again(
    notes: list[MeasuredNote], ledger: Ledger, tempo_map: TempoMap | None = None
) -> tuple[list[str], Ledger, tuple[object, ...]]:
    stems, known, findings = keep_ids((stem("LV", "lead-voice", notes),), A4, ledger, tempo_map)
    return ids(stems), known, findings


def test_the_first_run_numbers_by_start() -> None:
    """Without a ledger notes are numbered from 1 in the order of the stem."""
    found, known, findings = again(melody(), ())
    assert found == [f"LV-{k:04d}" for k in range(1, 9)]
    assert [k.id for k in known] == found
    assert findings == ()


def test_the_same_notes_change_nothing() -> None:
    """A run on the same notes gives the same ids and the same ledger."""
    ledger = first(melody())
    found, known, findings = again(melody(), ledger)
    assert found == [k.id for k in ledger]
    assert known == ledger
    assert findings == ()


@pytest.mark.parametrize(("late_s", "kept"), [(0.040, True), (0.041, False)])
def test_a_start_may_move_by_40_ms(late_s: float, kept: bool) -> None:
    """A note that starts 40 ms later is the same, 41 ms later another."""
    ledger = first(melody())
    notes = melody()
    moved = note("LV-x", 64, 3.0, start_s=3.0 + late_s, length_s=0.8 - late_s)
    found, _, _ = again([*notes[:2], moved, *notes[3:]], ledger)
    assert (found[2] == "LV-0003") is kept


@pytest.mark.parametrize(("length_s", "kept"), [(0.48, True), (0.47, False)])
def test_three_fifths_must_overlap(length_s: float, kept: bool) -> None:
    """A note that shrinks to 60 % is the same, to less another."""
    ledger = first(melody())
    notes = melody()
    short = note("LV-x", 64, 3.0, start_s=3.0, length_s=length_s)
    found, _, _ = again([*notes[:2], short, *notes[3:]], ledger)
    assert (found[2] == "LV-0003") is kept


@pytest.mark.parametrize(
    ("midi", "cents", "kept"),
    [(64, 45.0, True), (64, 63.0, True), (64, 64.0, False), (65, 0, False)],
)
def test_the_pitch_may_move_by_60_cents(midi: int, cents: float, kept: bool) -> None:
    """60 cents from where it was (3 sharp) or the same intended note is the same note."""
    ledger = first(melody())
    notes = melody()
    moved = note("LV-x", midi, cents, start_s=3.0, length_s=0.8)
    found, _, _ = again([*notes[:2], moved, *notes[3:]], ledger)
    assert (found[2] == "LV-0003") is kept


def test_the_same_intended_note_is_enough() -> None:
    """From 45 flat to 45 sharp is 90 cents, and still the same intended note."""
    low = note("LV-x", 64, -45.0, start_s=1.0)
    high = note("LV-x", 64, 45.0, start_s=1.0)
    assert again([high], first([low]))[0] == ["LV-0001"]


def test_new_notes_get_new_serials_and_old_ones_are_never_reused() -> None:
    """The serial of a note that is gone goes to nobody, even when it was the highest."""
    ledger = first(melody())
    found, known, _ = again(melody()[:-1], ledger)
    assert found == [f"LV-{k:04d}" for k in range(1, 8)]
    assert [k.id for k in known if not k.here] == ["LV-0008"]
    other = note("LV-x", 70, 0.0, start_s=20.0)
    found, known, _ = again([*melody()[:-1], other], known)
    assert found[-1] == "LV-0009"
    found, _, _ = again(melody(), known)
    assert found == [f"LV-{k:04d}" for k in range(1, 9)]


def test_ids_of_answers_are_not_given_again() -> None:
    """A serial that an answer speaks of is taken, though no ledger knows it."""
    stems, _, _ = keep_ids((stem("LV", "lead-voice", melody()[:1]),), A4, (), used=("LV-0147",))
    assert ids(stems) == ["LV-0148"]


@pytest.mark.parametrize(("cut_s", "keeps"), [(0.5, 0), (0.42, 0), (0.3, 1)])
def test_a_cut_note_leaves_its_id_to_the_longer_part(cut_s: float, keeps: int) -> None:
    """Of the two parts the longer keeps the id; the other says where it comes from."""
    ledger = first(melody())
    parts = [
        note("LV-x", 64, 3.0, start_s=3.0, length_s=cut_s),
        note("LV-x", 64, 3.0, start_s=3.0 + cut_s, length_s=0.8 - cut_s),
    ]
    notes = melody()
    found, known, findings = again([*notes[:2], *parts, *notes[3:]], ledger)
    assert found[2 + keeps] == "LV-0003"
    assert found[3 - keeps] == "LV-0009"
    assert next(k for k in known if k.id == "LV-0009").split_from == "LV-0003"
    assert findings == ()


@pytest.mark.parametrize("first_s", [0.25, 0.5])
def test_of_joined_notes_the_oldest_id_lives(first_s: float) -> None:
    """Two notes joined into one keep the lower serial; the other is listed as absorbed."""
    parts = [
        note("LV-x", 64, 3.0, start_s=3.0, length_s=first_s),
        note("LV-x", 64, 3.0, start_s=3.0 + first_s, length_s=0.8 - first_s),
    ]
    notes = melody()
    ledger = first([*notes[:2], *parts, *notes[3:]])
    found, known, findings = again(melody(), ledger)
    assert found[2:4] == ["LV-0003", "LV-0005"]
    gone = next(k for k in known if k.id == "LV-0004")
    assert (gone.here, gone.absorbed_by) == (False, "LV-0003")
    assert findings == ()


def test_a_file_put_together_anew_keeps_every_id_and_asks() -> None:
    """All notes one bar (2.5 s) later: the same ids, and one question that says how far."""
    ledger = first(melody())
    bars = tempo_map_from_marks((TempoMark(bar=1, bpm=96.0, meter=(4, 4)),), bar_one_at_s=0.0)
    found, known, findings = again(melody(late_s=2.5), ledger, bars)
    assert found == [k.id for k in ledger]
    assert [k.start_s for k in known][:1] == [3.5]
    (asked,) = findings
    assert "2.500 s (1 bar) later" in asked.what  # type: ignore[attr-defined]
    assert asked.severity == "question"  # type: ignore[attr-defined]
    assert again(melody(late_s=2.5), known)[2] == ()


def test_where_all_stems_move_bar_one_is_asked_about() -> None:
    """What is said of bars lies over other music then, unless bar 1 moved too: what to write."""
    ledger = first(melody())
    bars = tempo_map_from_marks((TempoMark(bar=1, bpm=96.0, meter=(4, 4)),), bar_one_at_s=0.5)
    _, _, (asked,) = again(melody(late_s=2.5), ledger, bars)
    assert "see that bar_one_at says so (it stands at 0.500 s)" in asked.advice  # type: ignore[attr-defined]
    _, _, (bare,) = again(melody(late_s=2.5), ledger)
    assert "bar_one_at" not in bare.advice  # type: ignore[attr-defined]
    assert "Seconds in the session file (do_not_touch, comp_edges)" in bare.advice  # type: ignore[attr-defined]
    # One stem of two has moved: then it is that file's matter, and no bar's. Silence says nothing.
    for second, told in ((melody(), False), ([], True)):
        other = [replace(n, note=replace(n.note, stem="BV")) for n in second]
        double = stem("BV", "voice-double", other)
        _, ledger, _ = keep_ids((stem("LV", "lead-voice", melody()), double), A4, ())
        later = stem("LV", "lead-voice", melody(late_s=2.5))
        _, _, (alone,) = keep_ids((later, double), A4, ledger, bars)
        assert ("bar_one_at" in alone.advice) is told


@pytest.mark.parametrize(
    ("off_cents", "late_s", "same"),
    [(2.0, 0.0, True), (2.2, 0.0, False), (0.0, 0.010, True), (0.0, 0.011, False)],
)
def test_what_sounds_as_it_did(off_cents: float, late_s: float, same: bool) -> None:
    """Within 2 cents and 10 ms of the last run, wherever the file as a whole has moved to."""
    ledger = first(melody())
    moved = melody(late_s=2.5)
    moved[3] = note("LV-x3", 62, 3.0 + off_cents, start_s=6.5 + late_s, length_s=0.8)
    _, known, _ = again(moved, ledger)
    alike = heard_as_before(ledger, known)
    assert alike == {k.id for k in ledger} - (set() if same else {"LV-0004"})


def test_of_another_performance_nothing_sounds_as_it_did() -> None:
    """Where most notes of a stem are others, the few that agree do so by chance."""
    ledger = first(melody())
    sung_anew = [
        note(f"LV-x{k}", m, 3.0 + (9.0 if k % 8 else 0.0), start_s=1.0 + k, length_s=0.8)
        for k, m in enumerate(MIDIS)
    ]
    _, known, _ = again(sung_anew, ledger)
    assert [k.id for k in known if k.here] == [k.id for k in ledger]
    assert heard_as_before(ledger, known) == frozenset()
    assert heard_as_before((), known) == frozenset()


def test_stems_that_move_together_are_one_question() -> None:
    """Two stems shifted alike ask once."""

    def both(late_s: float) -> tuple[StemNotes, ...]:
        second = [replace(n, note=replace(n.note, stem="BV")) for n in melody(late_s=late_s)]
        return stem("LV", "lead-voice", melody(late_s=late_s)), stem("BV", "voice-double", second)

    _, ledger, _ = keep_ids(both(0.0), A4, ())
    _, _, findings = keep_ids(both(-0.7), A4, ledger)
    assert [f.what[:44] for f in findings] == ["LV, BV: the notes lie 0.700 s earlier than i"]


def test_another_recording_is_asked_about() -> None:
    """Where most notes are not found and no shift helps, nothing is dropped in silence."""
    ledger = first(melody())
    other = [note("LV-x", m + 5, 0.0, start_s=0.3 + 1.37 * k) for k, m in enumerate(MIDIS[::-1])]
    found, known, findings = again(other, ledger)
    assert set(found) & {k.id for k in ledger} <= {found[k] for k in range(2)}
    assert {k.id for k in ledger} <= {k.id for k in known}
    assert "are not found again, and no single shift explains it" in findings[0].what  # type: ignore[attr-defined]


def test_a_stem_left_out_keeps_its_ids_for_later() -> None:
    """What is known of a stem that did not run stays as it was."""
    _, ledger, _ = keep_ids((stem("LV", "lead-voice", melody()),), A4, ())
    _, known, _ = keep_ids((stem("BV", "voice-double", []),), A4, ledger)
    assert known == ledger


def test_the_closest_pair_goes_first() -> None:
    """In a chord stem two near octaves apart keep their own ids."""
    pair = [note("LV-x", 60, 0.0, start_s=1.0), note("LV-x", 72, 0.0, start_s=1.0)]
    ledger = first(pair)
    assert again(pair, ledger)[0] == ["LV-0001", "LV-0002"]
    assert again(pair[1:], ledger)[0] == ["LV-0002"]


@settings(max_examples=60, deadline=None)
@given(
    midis=st.lists(st.integers(48, 72), min_size=6, max_size=24),
    late_s=st.floats(-0.9, 30.0),
    jitter=st.lists(st.floats(-0.015, 0.015), min_size=24, max_size=24),
)
def test_any_shift_keeps_every_id(midis: list[int], late_s: float, jitter: list[float]) -> None:
    """Whatever the melody and the shift, starts that scatter by 15 ms keep all ids.

    Notes lie at uneven distances, so that a melody cannot be taken for itself one note later.
    """

    def at(k: int) -> float:
        return 1.0 + k + 0.1 * (k * k % 7)

    old = [note("LV-x", m, 0.0, start_s=at(k), length_s=0.4) for k, m in enumerate(midis)]
    new = [
        note("LV-x", m, 0.0, start_s=at(k) + late_s + jitter[k], length_s=0.4)
        for k, m in enumerate(midis)
    ]
    ledger = first(old)
    found = again(new, ledger)[0]
    if abs(late_s) > 0.1 or abs(late_s) < 0.02:
        assert found == [k.id for k in ledger]
    assert len(set(found)) == len(found)


def test_an_entry_of_the_ledger_without_a_pitch_matches_by_its_note() -> None:
    """Notes known from answers alone have no measured pitch; the intended note is enough."""
    known = Known(id="LV-0007", kind="note", stem="LV", midi=64, start_s=1.0, end_s=2.0)
    assert again([note("LV-x", 64, 20.0, start_s=1.01)], (known,))[0] == ["LV-0007"]


@pytest.mark.parametrize(("by_s", "notes", "told"), [(0.010, 3, 1), (0.009, 8, 0), (0.030, 2, 0)])
def test_timing_edited_after_the_plan_is_told(by_s: float, notes: int, told: int) -> None:
    """Three notes 10 ms and more from where the last plan had them: its lists lie wrong now."""
    before = melody()
    after = [*melody(late_s=by_s)[:notes], *before[notes:]]
    found, _, findings = again(after, first(before))
    assert found == [f"LV-{k:04d}" for k in range(1, 9)]
    assert len(findings) == told
    if told:
        finding = findings[0]
        assert isinstance(finding, Finding)
        assert finding.what == (
            "LV: 3 of 8 notes of the last plan begin up to 10 ms from where they did, as after "
            "edits of timing."
        )
        assert finding.severity == "warning"
        assert "use those of this one" in finding.advice
