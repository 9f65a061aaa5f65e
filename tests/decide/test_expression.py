import pytest
from deciding import A4, line, note, plan, session, stem

from planner.decide.expression import (
    blue_notes,
    goes_on,
    grace_notes,
    leading_notes,
    pushed_notes,
    wobbles,
)
from planner.model import Role
from planner.pitch import midi_to_hz
from planner.targets import aim, target_for
from planner.timeline import tempo_map_from_marks
from planner.words.plan_model import Plan
from planner.words.session_model import KeyMark, TempoMark


@pytest.mark.parametrize(
    ("length", "gap", "found"),
    [(0.089, 0.0, True), (0.09, 0.0, False), (0.08, 0.029, True), (0.08, 0.031, False)],
)
def test_edges_of_a_grace_note(length: float, gap: float, found: bool) -> None:
    """A grace note is shorter than 90 ms and leans on a longer note."""
    pair = (
        note("V-1", 62, 0, length_s=length),
        note("V-2", 64, 0, start_s=length + gap, length_s=0.5),
    )
    assert grace_notes(pair) == (frozenset({"V-1"}) if found else frozenset())


def test_pushed_notes_are_the_loudest() -> None:
    """The loudest of twenty is pushed, unless all are sung alike or nobody sings."""
    notes = [*line("V", [60] * 19, [0.0] * 19), note("V-0020", 60, 0, start_s=30, level_db=-10.0)]
    assert pushed_notes(stem("V", "lead-voice", notes)) == {"V-0020"}
    assert pushed_notes(stem("V", "fretted", notes)) == frozenset()
    assert pushed_notes(stem("V", "lead-voice", notes[1:])) == frozenset()
    alike = line("V", [60] * 20, [0.0] * 20)
    assert pushed_notes(stem("V", "lead-voice", alike)) == frozenset()


@pytest.mark.parametrize(("level_db", "pushed"), [(-17.0, True), (-17.1, False)])
def test_edges_of_a_pushed_note(level_db: float, pushed: bool) -> None:
    """3 dB over the middle is pushed; of twenty notes only the loudest is."""
    loud = [note(f"V-{k}", 60, 0, start_s=30 + k, level_db=db)
            for k, db in ((20, level_db), (21, level_db - 0.5))]  # fmt: skip
    voice = stem("V", "lead-voice", [*line("V", [60] * 18, [0.0] * 18), *loud])
    assert pushed_notes(voice) == (frozenset({"V-20"}) if pushed else frozenset())


@pytest.mark.parametrize(
    ("half_cents", "hz", "regularity", "found"),
    [(10.1, 3.4, 0.9, True), (10.0, 3.4, 0.9, False), (30.0, 3.5, 0.9, False),
     (30.0, 5.0, 0.6, True), (30.0, 5.0, 0.61, False)],
)  # fmt: skip
def test_edges_of_a_wobble(half_cents: float, hz: float, regularity: float, found: bool) -> None:
    """More than 10 cents to either side, under 3.5 a second or not regular."""
    one = note("V-1", 60, 0, vibrato_half_cents=half_cents, vibrato_hz=hz,
               vibrato_regularity=regularity)  # fmt: skip
    assert wobbles(one.measurement) is found


@pytest.mark.parametrize(
    ("above", "found"), [(315, True), (314.9, False), (385, True), (385.1, False), (970, True),
                         (650, True), (700, False)],
)  # fmt: skip
def test_edges_of_blue_notes(above: float, found: bool) -> None:
    """Thirds between minor and major, let-down fifths and low sevenths that come back are blue."""
    notes = (note("V-1", 60, above), note("V-2", 60, above, start_s=2))
    off = {"V-1": 30.0, "V-2": 30.0}
    tonic = dict.fromkeys(off, midi_to_hz(60))
    assert blue_notes(notes, off, tonic) == (frozenset(off) if found else frozenset())
    assert blue_notes(notes[:1], off, tonic) == frozenset()
    assert blue_notes(notes, off, {}) == frozenset()
    assert blue_notes(notes, dict.fromkeys(off, 4.9), tonic) == frozenset()
    assert blue_notes(notes, dict.fromkeys(off, 5.0), tonic) == blue_notes(notes, off, tonic)


@pytest.mark.parametrize(
    ("role", "midis", "off", "rest_s", "found"),
    [
        ("bowed", (61, 62), 12.0, 0.1, True),
        ("bowed", (61, 62), 15.0, 0.1, True),
        ("bowed", (61, 62), 15.1, 0.1, False),
        ("bowed", (61, 62), 0.0, 0.1, False),
        ("bowed", (61, 62), -12.0, 0.1, False),  # flat is no leaning upward
        ("bowed", (61, 59), 12.0, 0.1, False),  # it leads nowhere
        ("bowed", (61, 62), 12.0, 0.25, True),
        ("bowed", (61, 62), 12.0, 0.26, False),
        ("bowed", (66, 67), 12.0, 0.1, False),  # a semitone step, but not under the tonic
        ("bass-fretless", (49, 50), 12.0, 0.1, True),
        ("fretted", (61, 62), 12.0, 0.1, False),  # the fret set it
        ("brass", (61, 62), 12.0, 0.1, False),  # the valves may have
    ],
)
def test_edges_of_a_leading_note(
    role: Role, midis: tuple[int, int], off: float, rest_s: float, found: bool
) -> None:
    """In D a C# up to 15 sharp that goes on to D at once is one; common practice, no source."""
    pair = (
        note("C-1", midis[0], off, length_s=0.5),
        note("C-2", midis[1], 0.0, start_s=0.5 + rest_s, length_s=0.5),
    )
    where = session(stem("C", role, list(pair)))
    aimed = [aim(n, target_for(n, role, where, A4)) for n in pair]
    ids = leading_notes(aimed, role, dict.fromkeys(("C-1", "C-2"), 62))
    assert ids == (frozenset({"C-1"}) if found else frozenset())
    assert leading_notes(aimed, role, {}) == frozenset()


def led(key_of_bar_three: str, **others: object) -> Plan:
    """A cello whose C#s are 14 sharp and go on to D, in D at first, and in another key later."""
    midis = [62, 61, 62, 64, 61, 62, 66, 61, 62, 57] * 2
    errors = [14.0 if m == 61 else 0.0 for m in midis]
    keys = (
        KeyMark(bar=1, tonic="D", mode="major"),
        KeyMark(bar=4, tonic=key_of_bar_three, mode="major"),
    )
    tempo_map = tempo_map_from_marks([TempoMark(bar=1, bpm=80.0)], bar_one_at_s=0.0)  # 3 s a bar
    cello = stem("CEL", "bowed", line("CEL", midis, errors))
    return plan(cello, keys=keys, tempo_map=tempo_map, **others)


def test_a_leading_note_is_left_and_a_modulation_ends_it() -> None:
    """In D the sharp C#s before D are kept; once the key is A a C# is its third, and a habit."""
    leads = led("D")
    assert leads.rows == ()
    kept = [j for j in leads.judged if j.rule_name == "leading note"]
    assert len(kept) == 6
    assert kept[0].reason == "14 sharp under the tonic that it leads to: kept, as in a melody"
    moved = led("A")
    assert {j.measured.note.start_s >= 9.0 for j in moved.judged if j.layers or j.add_cents} == {
        True
    }
    assert moved.rows != ()


def test_a_leading_note_that_beats_is_in_a_chord() -> None:
    """Held against the piano's C# it is no matter of melody: it is moved."""
    keys = (KeyMark(bar=1, tonic="D", mode="major"),)
    pair = [
        note("CEL-0001", 61, 14.0, length_s=2.0), note("CEL-0002", 62, 0.0, start_s=2.0),
    ]  # fmt: skip
    cello = stem("CEL", "bowed", pair)
    alone = plan(cello, keys=keys)
    assert alone.rows == ()
    piano = stem("PNO", "tuning-reference", [note("PNO-0001", 61, 0.0, length_s=2.0)])
    (row,) = plan(cello, piano, keys=keys).rows
    assert (row.id, row.action) == ("CEL-0001", "raise-lower")


@pytest.mark.parametrize(("rest_s", "found"), [(0.1, {"C-1": -2}), (0.11, {})])
def test_edge_of_what_follows_at_once(rest_s: float, found: dict[str, int]) -> None:
    """A tenth of a second is still one breath or bow; the last note goes on to nothing."""
    pair = (
        note("C-1", 62, 0.0, length_s=1.0),
        note("C-2", 60, 0.0, start_s=1.0 + rest_s, length_s=0.5),
    )
    where = session(stem("C", "bowed", list(pair)))
    assert goes_on([aim(n, target_for(n, "bowed", where, A4)) for n in pair]) == found
