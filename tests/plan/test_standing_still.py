"""A plan is decided again on what its own moves lead to: what joins it, and where that ends."""

from dataclasses import replace

import pytest
from deciding import carried_out, line, made_of, note, plan, session, stem

from planner.answer.answers import Entry
from planner.answer.ruled_rows import Recalled
from planner.answer.rulings import rulings_from
from planner.decide.moves import note_made
from planner.plan import standing_still
from planner.plan.planrows import _said_edit
from planner.plan.standing_still import _both_moves, _joined_rules
from planner.words.plan_model import Judged
from tests.clear.test_kept import rule
from tests.plan.test_planning import band

LATER = band(996, spread=16.0)  # S3-0014 beats once the others are moved


def test_what_the_moves_bring_out_is_in_the_plan() -> None:
    """A note that beats only once the others are moved has its row at once, and says so."""
    made = plan(*LATER)
    told = [r for r in made.rows if r.reason.startswith("once the other rows are made, ")]
    assert [(r.stem, r.kind) for r in told] == [("S3", "note")]
    assert told[0].id == "S3-0014"


def test_a_plan_that_does_not_come_to_rest_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the rounds run out, the moves that are left out are named, and none is made."""
    monkeypatch.setattr(standing_still, "_MOST_ROUNDS", 1)
    made = plan(*LATER)
    (told,) = [f for f in made.findings if "once more" in f.what]
    assert told.what == (
        "A plan of the corrected stems may move some notes once more: S0-0014, S3-0014."
    )
    assert told.did == "These moves are left out: they do not come to rest."
    assert "S3-0014" not in {r.id for r in made.rows}


def test_what_a_person_refused_is_not_moved_on_a_later_round() -> None:
    """A refusal holds on every round."""
    rulings, _ = rulings_from([Entry(id="S3-0014", state="refused", by="producer")])
    made = made_of(session(*LATER), LATER, recalled=Recalled(rulings=rulings))
    (row,) = [r for r in made.rows if r.id == "S3-0014"]
    assert (row.action, row.add_cents) == ("leave", None)


def test_notes_are_made_as_the_tests_make_them() -> None:
    """Carrying out in the planner and in the tests' own way gives the same readings."""
    notes = line("LV", [62, 64, 65, 67], [0.0, 30.0, -25.0, 2.0], length_s=1.4)
    lean = note("LV-0009", 64, 0, start_s=9.0, length_s=2.0, slope_cents_per_s=30.0)
    lead = stem("LV", "lead-voice", [*notes, lean])
    made = plan(lead)
    assert {j.action for j in made.judged} >= {"raise-lower", "steady", "leave"}
    (moved,) = carried_out((lead,), made)
    for judged, theirs in zip(made.judged, moved.notes, strict=True):
        ours = note_made(judged.measured, judged).measurement
        for name in ("onset_hz", "sustain_hz", "end_hz", "heard_hz", "slope_cents_per_s"):
            assert getattr(ours, name) == pytest.approx(getattr(theirs.measurement, name))


def test_rules_of_two_rounds_are_one_where_they_cover_the_same() -> None:
    """-5 and -2 for the same notes are -7 under the first id; another pitch stays by itself."""
    more = replace(rule("GTR"), add_cents=-2.0)
    rules, renamed = _joined_rules(
        {"R-001": rule("GTR")}, {"R-002": more, "R-003": rule("GTR", 64)}
    )
    assert {k: r.add_cents for k, r in rules.items()} == {"R-001": -7.0, "R-003": -5.0}
    assert renamed == {"R-002": "R-001", "R-003": "R-003"}


def one_move() -> Judged:
    return plan(stem("LV", "lead-voice", [note("LV-0001", 62, -25, length_s=1.4)])).judged[0]


def test_two_plain_moves_of_a_note_add_up() -> None:
    """+19 and +3 are +22, one number along the whole note."""
    first = one_move()
    more = replace(first, add_cents=3.0, points=((0.0, 3.0), (1.4, 3.0)), reason="it beats")
    both = _both_moves(first, more)
    assert (both.action, both.add_cents) == ("raise-lower", 22.0)
    assert both.points == ((0.0, 22.0), (1.4, 22.0))
    assert both.reason.endswith("; once the other rows are made, it beats")


def test_a_plain_move_and_a_shaped_one_add_up_by_points() -> None:
    """What has a start and a rest of its own keeps both, each with the plain move on top."""
    first = one_move()
    shape = replace(
        first, action="shape", add_cents=None, onset_add_cents=0.0, sustain_add_cents=-6.0,
        cut_s=0.2, points=((0.0, 0.0), (0.1, 0.0), (0.3, -6.0), (1.4, -6.0)),
    )  # fmt: skip
    for both in (_both_moves(first, shape), _both_moves(shape, first)):
        assert (both.action, both.add_cents, both.cut_s) == ("shape", None, 0.2)
        assert (both.onset_add_cents, both.sustain_add_cents) == (19.0, 13.0)
        assert both.points == ((0.0, 19.0), (0.1, 19.0), (0.3, 13.0), (1.4, 13.0))


def test_what_moves_one_end_and_all_of_a_note_is_said_to_move_both() -> None:
    """20 down at the start, and 9 down all along: no start alone, in action, words and reason."""
    length_s = 0.4
    first = replace(
        one_move(), action="start-only", add_cents=None, onset_add_cents=-20.0, cut_s=0.1,
        sustain_add_cents=0.0, points=((0.0, -20.0), (0.1, 0.0), (length_s, 0.0)),
        reason="starts 20 sharp: the start alone; needs points or a cut",
    )  # fmt: skip
    more = replace(first, action="raise-lower", add_cents=-9.0, reason="it beats",
                   points=((0.0, -9.0), (length_s, -9.0)))  # fmt: skip
    both = _both_moves(first, more)
    assert (both.action, both.onset_add_cents, both.sustain_add_cents) == ("shape", -29.0, -9.0)
    said = "starts 20 sharp; needs points or a cut; once the other rows are made, it beats"
    assert both.reason == said
    assert _said_edit(both) == "lower by 29 at the start, lower by 9 after it"
    late = replace(both, onset_add_cents=0.0, points=((0.0, 0.0), (length_s, 32.0)))
    assert _said_edit(late) == "as it is at the start, raise by 32 after it"
    held = replace(
        first, action="hold-end", onset_add_cents=None, cut_s=None, sustain_add_cents=None,
        points=((0.0, 0.0), (0.2, 0.0), (length_s, 12.0)),
    )  # fmt: skip
    both = _both_moves(more, held)
    assert both.action == "shape"
    assert _said_edit(both) == "lower by 9 at the start, raise by 3 by its last part"


def test_a_run_of_short_notes_is_settled_once() -> None:
    """Lows 16 sharp at the onset and 3 in what sustain they have: one rule, and no way back."""
    short = [
        note(
            f"BAS-{k:04d}", 40 + (3, 0, 5, 7)[k % 4], 3.0, start_s=0.6 * k, length_s=0.3,
            onset=16.0, heard=11.0,
        )
        for k in range(32)
    ]  # fmt: skip
    held = [
        note(f"BAS-{k:04d}", 40 + (3, 0, 5, 7)[k % 4], 0.5, start_s=20 + 1.6 * k, length_s=1.5)
        for k in range(32, 48)
    ]
    made = plan(stem("BAS", "bass-fretted", [*short, *held]))
    assert [(r.kind, r.scope) for r in made.rows if r.add_cents] == [("rule", "passage")]
