"""People's rulings in a plan: refused, halved, set by hand, locked, and what goes before them."""

from dataclasses import replace
from typing import Any

import pytest

from planner.answer.answers import Answer, Area, Entry, Override
from planner.answer.ledger import Ledger
from planner.answer.locks import place_locks, with_locked_rows
from planner.answer.note_ids import keep_ids
from planner.answer.questions import notes_offered
from planner.answer.row_ids import notes_from, with_rows
from planner.answer.ruled import asks_for_own_figures
from planner.answer.ruled_rows import Recalled
from planner.answer.rulings import rulings_from
from planner.model import StemNotes
from planner.plan.standing_still import Still, decide_until_still
from planner.timeline import tempo_map_from_marks
from planner.words.plan_model import MOVING_ACTIONS, Plan, Row
from planner.words.session_model import ProtectedSpan, Section, TempoMark
from tests.deciding import line, made_of, session, stem

PHRASE = [60, 62, 64, 65, 67, 65, 64, 62]


def low_part() -> StemNotes:
    """A guitar 9 cents flat as a whole, with scatter, and one note 22 cents flat of the rest."""
    errors = [-9.0, -8.0, -10.0, -9.5, -31.0, -8.5, -9.2, -8.8] * 2
    return stem("EGL", "fretted", line("EGL", PHRASE * 2, errors))


def plan(part: StemNotes, recalled: Recalled | None = None, **fields: Any) -> Plan:
    given = session(part)
    if fields:
        given = replace(given, stems=tuple(replace(spec, **fields) for spec in given.stems))
    return made_of(given, (part,), recalled=recalled or Recalled(rulings={}))


def ledger_of(made: Plan, part: StemNotes) -> Ledger:
    notes = keep_ids((part,), 440.0, ())[1]
    return with_rows(notes_from(made.judged, notes), made.rows, (part.code,))


def answered(made: Plan, part: StemNotes, *entries: Entry) -> tuple[Plan, dict[str, Row]]:
    """The plan once these answers are in."""
    rulings, _ = rulings_from(entries, made.rows)
    recalled = Recalled(rulings=rulings, ledger=ledger_of(made, part), last_rows=made.rows)
    again = plan(part, recalled)
    return again, {r.id: r for r in again.rows}


@pytest.fixture(scope="module")
def part() -> StemNotes:
    return low_part()


@pytest.fixture(scope="module")
def made(part: StemNotes) -> Plan:
    """The plan before any answer: one whole-part rule, and two notes on top."""
    found = plan(part)
    assert [(r.id, r.action) for r in found.rows] == [
        ("R-001", "whole-part"), ("EGL-0005", "raise-lower"), ("EGL-0013", "raise-lower"),
    ]  # fmt: skip
    return found


def test_no_answer_no_change(part: StemNotes, made: Plan) -> None:
    """A ledger alone changes nothing."""
    again, _ = answered(made, part)
    assert (again.rows, again.judged) == (made.rows, made.judged)


def test_a_refused_note_is_left(part: StemNotes, made: Plan) -> None:
    """It keeps its row, which moves nothing and says who refused what; the rule still covers it."""
    again, rows = answered(made, part, Entry(id="EGL-0005", answer="no", by="Producer"))
    left = rows["EGL-0005"]
    assert (left.action, left.state, left.by, left.add_cents) == (
        "leave", "refused", "Producer", None,
    )  # fmt: skip
    assert left.reason.startswith("refused by Producer; the planner says raise by ")
    assert left.layers == rows["EGL-0013"].layers
    assert {o.row_id for o in again.offenders} == {"EGL-0013", "R-001"}
    assert any("EGL-0005 was refused by Producer, and R-001 still moves it" in f.what
               for f in again.findings)  # fmt: skip


def test_a_refused_rule_moves_nobody(part: StemNotes, made: Plan) -> None:
    """Its notes are judged without it, it is not found anew, and its row stays as refused."""
    again, rows = answered(made, part, Entry(id="R-001", answer="no", by="Producer"))
    assert (rows["R-001"].action, rows["R-001"].state) == ("leave", "refused")
    assert not any(r.scope == "part" and r.id != "R-001" for r in again.rows)
    assert all(j.layers == () for j in again.judged)
    assert {r.layers for r in again.rows} == {()}
    assert rows["EGL-0005"].heard_cents == pytest.approx(-31.0)
    assert again.stems[0].edits == sum(r.action != "leave" for r in again.rows)


def test_half_of_a_rule_and_half_of_a_note(part: StemNotes, made: Plan) -> None:
    """Half the cents; the other half is not found again as another rule."""
    before = {r.id: r for r in made.rows}
    again, rows = answered(made, part, Entry(id="R-001", answer="half", by="P"))
    assert rows["R-001"].add_cents == pytest.approx((before["R-001"].add_cents or 0) / 2, abs=0.06)
    assert sum(r.kind == "rule" for r in again.rows) == 1
    assert "half of it, says P; the planner says raise by" in rows["R-001"].reason
    _, rows = answered(made, part, Entry(id="EGL-0005", answer="half", by="P"))
    assert rows["EGL-0005"].add_cents == pytest.approx((before["EGL-0005"].add_cents or 0) / 2)
    assert rows["EGL-0005"].points[0][1] == rows["EGL-0005"].add_cents
    rest = (before["EGL-0005"].heard_cents or 0.0) + (rows["EGL-0005"].add_cents or 0.0)
    assert rows["EGL-0005"].remaining_cents == pytest.approx(rest, abs=0.11)


def test_a_number_by_hand(part: StemNotes, made: Plan) -> None:
    """A person's number is taken, the planner's stands beside it."""
    hand = Override(add_cents=-12.0)
    _, rows = answered(made, part, Entry(id="EGL-0005", override=hand, by="Editor"))
    assert (rows["EGL-0005"].action, rows["EGL-0005"].add_cents) == ("raise-lower", -12.0)
    assert rows["EGL-0005"].reason.startswith("set by Editor; the planner says raise by ")
    _, rows = answered(made, part, Entry(id="R-001", override=Override(add_cents=5.0), by="E"))
    assert rows["R-001"].add_cents == 5.0
    assert dict(rows["EGL-0005"].layers) == {"R-001": 5.0}
    hand = Override(add_cents=7.0)
    _, rows = answered(made, part, Entry(id="EGL-0001", override=hand, by="Editor"))
    assert (rows["EGL-0001"].add_cents, rows["EGL-0001"].by) == (7.0, "Editor")


@pytest.mark.parametrize(
    ("row_id", "answer", "held", "asks"),
    [
        ("EGL-0005", "no", (), True),
        ("EGL-0005", "half", (), True),
        ("EGL-0005", "yes", (), False),  # no other plan: nothing to set beside it
        ("R-001", "no", (), False),  # nothing is said of a note
        ("R-001", "no", ("EGL-0001",), True),  # said of what is locked
        ("R-001", "yes", ("EGL-0001",), False),
    ],
)
def test_where_the_planners_own_figures_are_asked_for(
    made: Plan, row_id: str, answer: Any, held: tuple[str, ...], asks: bool
) -> None:
    """They are said beside answers to notes and in locked places, where they may be other ones."""
    rulings, _ = rulings_from([Entry(id=row_id, answer=answer, by="Ed")], made.rows)
    notes = [j.measured.id for j in made.judged]
    assert asks_for_own_figures(rulings, held, notes) is asks


@pytest.mark.parametrize(("row_id", "times"), [("R-001", 1), ("EGL-0005", 2)])
def test_answers_to_rules_alone_are_decided_once(
    part: StemNotes, made: Plan, monkeypatch: pytest.MonkeyPatch, row_id: str, times: int
) -> None:
    """The session is decided a second time only where a note's own figure is asked for."""
    decided = []

    def counting(*given: Any) -> Still:
        decided.append(given)
        return decide_until_still(*given)

    monkeypatch.setattr("planner.plan.planning.decide_until_still", counting)
    answered(made, part, Entry(id=row_id, answer="no", by="Ed"))
    assert len(decided) == times


def test_the_planners_own_figure_does_not_move_with_the_answers(
    part: StemNotes, made: Plan
) -> None:
    """Whatever is set for the rule above, the note's row names what the planner itself says."""
    before = {r.id: r for r in made.rows}
    planners = before["EGL-0005"].in_words.partition(",")[0]
    note = Entry(id="EGL-0005", override=Override(add_cents=-12.0), by="Ed")
    for rule in (
        Entry(id="R-001", override=Override(add_cents=2.0), by="Ed"),
        Entry(id="R-001", answer="no", by="Ed"),
        Entry(id="R-001", answer="half", by="Ed"),
    ):
        _, rows = answered(made, part, note, rule)
        row = rows["EGL-0005"]
        assert row.reason.startswith(f"set by Ed; the planner says {planners}: ")
        # A number that a person chose has no uncertainty; the reading keeps its own.
        assert row.in_words.startswith("lower by 12, set by hand")
        assert row.uncertainty_cents == before["EGL-0005"].uncertainty_cents
    _, rows = answered(made, part, Entry(id="R-001", override=Override(add_cents=2.0), by="Ed"))
    assert rows["R-001"].in_words == "raise by 2, set by hand"
    assert rows["R-001"].uncertainty_cents == before["R-001"].uncertainty_cents
    drawn = Override(points=((0.0, 0.0), (0.4, -10.0)))
    _, rows = answered(made, part, Entry(id="EGL-0005", override=drawn, by="E"))
    assert rows["EGL-0005"].in_words.startswith("as drawn by hand: lower by 10 at most")


def test_an_action_by_hand(part: StemNotes, made: Plan) -> None:
    """A person may ask for another take instead of an edit, or leave a rule."""
    other = Entry(id="EGL-0005", override=Override(action="other-take"), by="Editor")
    _, rows = answered(made, part, other)
    assert (rows["EGL-0005"].action, rows["EGL-0005"].add_cents) == ("other-take", None)
    assert rows["EGL-0005"].reason.startswith("other-take, says Editor; the planner says")
    _, rows = answered(made, part, Entry(id="R-001", override=Override(action="leave"), by="E"))
    assert rows["R-001"].action == "leave"


def test_another_note_was_meant(part: StemNotes, made: Plan) -> None:
    """A person's intended note is the target; so far from it nothing is edited, nor asked again."""
    meant = Entry(id="EGL-0005", override=Override(intended_midi=66), by="Editor")
    again, rows = answered(made, part, meant)
    row = rows["EGL-0005"]
    judged = next(j for j in again.judged if j.measured.id == "EGL-0005")
    assert judged.target.intended_midi == 66
    assert judged.heard_cents == pytest.approx(100.0 - 31.0)
    assert "Editor says F#4, the planner G4" in row.target_from
    assert (row.action, row.by, row.kind) == ("other-take", "Editor", "note")
    assert row.reason == "69 sharp of F#4, which Editor says was meant: too far for an edit"


def test_a_question_is_answered_by_naming_the_note() -> None:
    """45 sharp of D: named as Eb it is raised, named as D it is lowered; neither asks again."""
    asking = stem("LV", "lead-voice", line("LV", [60, 62, 64, 65], [0.0, 45.0, 0.0, 0.0]))
    first = plan(asking)
    asked = first.rows[0]
    assert asked.reason == "45 sharp for D4, so between two notes: which was meant, D4 or Eb4?"
    assert notes_offered(asked) == (62, 63)
    for midi, sign in ((62, -1), (63, 1)):
        entries = (
            Entry(id="Q-001", answer="ask", comment="ask her", by="P"),
            Entry(id="LV-0002", override=Override(intended_midi=midi), by="P"),
        )
        again, rows = answered(first, asking, *entries)
        assert list(rows) == ["LV-0002"]
        row = rows["LV-0002"]
        assert (row.kind, row.action, row.intended_midi) == ("note", "raise-lower", midi)
        assert sign * (row.add_cents or 0.0) > 30.0
        assert (row.state, row.by, row.comment) == ("new", "P", "ask her")
        # A run later the question is gone from the last plan, and is no orphan all the same.
        rulings, _ = rulings_from(entries, again.rows)
        ledger = with_rows(ledger_of(first, asking), again.rows, ("LV",))
        third = plan(asking, Recalled(rulings=rulings, ledger=ledger, last_rows=again.rows))
        assert [(r.id, r.state) for r in third.rows] == [("LV-0002", "new")]


def test_a_target_and_points_by_hand(part: StemNotes, made: Plan) -> None:
    """A person may move the place where a note belongs, or draw its move."""
    low = Entry(id="EGL-0005", override=Override(target_cents=-4.0), by="E")
    again, rows = answered(made, part, low)
    judged = next(j for j in again.judged if j.measured.id == "EGL-0005")
    assert judged.heard_cents == pytest.approx(4.0 - 31.0)
    assert rows["EGL-0005"].target_from.endswith("4 flat of it, says E")
    drawn = Override(points=((0.0, 0.0), (0.4, -10.0)))
    _, rows = answered(made, part, Entry(id="EGL-0005", override=drawn, by="E"))
    row = rows["EGL-0005"]
    assert (row.action, row.add_cents, row.points) == ("shape", None, drawn.points)
    rest = row.heard_cents or 0.0
    # 0.8 s long: from 0 to -10 in half of it, then -10: -7.5 on average.
    assert row.remaining_cents == pytest.approx(rest - 7.5, abs=0.06)
    assert row.reason.startswith("set by E; the planner says raise by ")


def locked_again(
    made: Plan, part: StemNotes, area: Area, errors: list[float], *more: Entry
) -> dict[str, Row]:
    """The rows of the next plan, read on other errors, with a place locked."""
    lock = Entry(id="", area=area, locked=True, by="E", plan="plan_01", source="reply")
    entries = (*more, lock)
    rulings, _ = rulings_from(with_locked_rows(entries, made.rows), made.rows)
    recalled = Recalled(
        rulings=rulings, ledger=ledger_of(made, part), last_rows=made.rows,
        place_locks=place_locks(entries),
    )  # fmt: skip
    moved = stem("EGL", "fretted", line("EGL", PHRASE * 2, errors))
    return {r.id: r for r in plan(moved, recalled).rows}


def test_a_locked_stem_stays_and_gets_nothing_new(part: StemNotes, made: Plan) -> None:
    """Its rows keep their numbers on other readings, and a note gone wrong since gets no edit."""
    usual = [-9.0, -8.0, -10.0, -9.5, -31.0, -8.5, -9.2, -8.8]
    errors = [-9.0, -8.0, 20.0, -9.5, -34.0, -8.5, -9.2, -8.8, *usual]
    free = {r.id for r in plan(stem("EGL", "fretted", line("EGL", PHRASE * 2, errors))).rows}
    assert "EGL-0003" in free
    rows = locked_again(made, part, Area(stem="EGL"), errors)
    before = {r.id: r for r in made.rows}
    assert set(rows) == set(before)
    for row_id, row in rows.items():
        assert replace(row, locked=False, by="", state="new") == before[row_id]
        assert row.locked
    assert set(locked_again(made, part, Area(stem="BAS"), errors)) >= {"EGL-0003"}


def test_what_was_refused_with_the_lock_is_locked_as_refused(part: StemNotes, made: Plan) -> None:
    """A no of the same reply counts first; the lock takes it up in the next run."""
    no = Entry(id="EGL-0005", answer="no", by="E", plan="plan_01", source="reply")
    errors = [-9.0, -8.0, -10.0, -9.5, -31.0, -8.5, -9.2, -8.8] * 2
    rows = locked_again(made, part, Area(stem="EGL"), errors, no)
    assert (rows["EGL-0005"].state, rows["EGL-0005"].action) == ("refused", "leave")
    assert rows["EGL-0013"].locked


@pytest.mark.parametrize(("word", "state"), [("no", "refused"), ("half", "approved")])
def test_a_rule_answered_with_the_lock_counts_first(
    part: StemNotes, made: Plan, word: Any, state: str
) -> None:
    """A rule refused or halved with the lock of its stem: done so, and locked a run later."""
    usual = [-9.0, -8.0, -10.0, -9.5, -31.0, -8.5, -9.2, -8.8] * 2
    rule = next(r for r in made.rows if r.kind == "rule")
    answer = Entry(id=rule.id, answer=word, by="P", plan="plan_01", source="reply")
    rows = locked_again(made, part, Area(stem="EGL"), usual, answer)
    assert (rows[rule.id].state, rows[rule.id].locked) == (state, False)
    free, _ = answered(made, part, answer)
    assert {k: r.add_cents for k, r in rows.items()} == {r.id: r.add_cents for r in free.rows}
    again = locked_again(
        replace(made, rows=tuple(rows.values())), part, Area(stem="EGL"), usual, answer
    )
    assert {k: r.add_cents for k, r in again.items()} == {k: r.add_cents for k, r in rows.items()}
    assert all(r.locked for r in again.values() if r.action in MOVING_ACTIONS)


def test_a_rule_that_is_asked_about_moves_nothing_under_a_lock(part: StemNotes, made: Plan) -> None:
    """Nobody has agreed to it, and it stays out though somebody says yes while the lock is on."""
    errors = [-9.0, -8.0, -10.0, -9.5, -31.0, -8.5, -9.2, -8.8] * 2
    ask = Entry(id="R-001", answer="ask", by="P", plan="plan_01", source="reply")
    rows = locked_again(made, part, Area(stem="EGL"), errors, ask)
    assert [(r.action, r.state, r.locked) for r in rows.values()] == [
        ("leave", "parked", True), ("leave", "new", True), ("leave", "new", True),
    ]  # fmt: skip
    assert rows["R-001"].reason.startswith(
        "EGL locked by E, and R-001 is asked about: nothing moves it; it was: raise by"
    )
    yes = replace(ask, answer="yes", plan="plan_02")
    after = replace(made, rows=tuple(rows.values()))
    again = locked_again(after, part, Area(stem="EGL"), errors, ask, yes)
    assert [(r.action, r.state) for r in again.values()] == [
        ("leave", "approved"), ("leave", "new"), ("leave", "new"),
    ]  # fmt: skip


def test_a_locked_note_leaves_a_rule_that_is_asked_about(part: StemNotes, made: Plan) -> None:
    """Its own edit came on top of that rule, so it is not moved at all, in later runs as well."""
    ask = Entry(id="R-001", answer="ask", by="P", plan="plan_01", source="reply")
    own = Entry(id="EGL-0005", locked=True, by="E", plan="plan_01", source="reply")
    for _ in range(2):
        rows = answered(made, part, own, ask)[1]
        assert (rows["R-001"].state, rows["R-001"].notes_covered) == ("parked", 15)
        assert "EGL-0005" not in rows["R-001"].covers
        assert (rows["EGL-0005"].action, rows["EGL-0005"].locked) == ("leave", True)
        made = replace(made, rows=tuple(rows.values()))


def test_what_is_refused_after_the_lock_stays_as_it_was_locked(part: StemNotes, made: Plan) -> None:
    """A plan later the lock goes first, of a stem as of a single note under a rule."""
    errors = [-9.0, -8.0, -10.0, -9.5, -31.0, -8.5, -9.2, -8.8] * 2
    rows = locked_again(made, part, Area(stem="EGL"), errors)
    no = Entry(id="R-001", answer="no", by="P", plan="plan_02", source="reply")
    locked = replace(made, rows=tuple(rows.values()))
    again = locked_again(locked, part, Area(stem="EGL"), errors, no)
    assert {k: r.add_cents for k, r in again.items()} == {k: r.add_cents for k, r in rows.items()}
    own = Entry(id="EGL-0005", locked=True, by="E", plan="plan_01", source="reply")
    one = answered(made, part, own, no)[1]
    assert (one["R-001"].action, one["R-001"].notes_covered) == ("leave", 15)
    assert (one["R-002"].covers, one["R-002"].add_cents) == (("EGL-0005",), made.rows[0].add_cents)
    assert one["EGL-0005"].add_cents == made.rows[1].add_cents


@pytest.mark.parametrize("answer", ["no", "half"])
def test_a_refused_part_does_not_come_back_note_by_note(answer: Answer) -> None:
    """Twenty notes 14 flat, one of them 12 sharp: that one alone is off by itself."""
    errors = [-14.0, -12.0, -16.0, -13.0, -15.0] * 4
    errors[7] = 12.0
    low = stem("BV", "voice-harmony", line("BV", [60, 62, 64, 65, 67] * 4, errors))
    first = plan(low)
    assert [r.id for r in first.rows] == ["R-001", "BV-0008"]
    again, rows = answered(first, low, Entry(id="R-001", answer=answer, by="P"))
    assert [*rows] == ["R-001", "BV-0008"]
    left = {j.reason for j in again.judged if j.rule_name == "as its rule"}
    said = {"no": "refused by P", "half": "to be made by half only"}[answer]
    assert left == {f"R-001, which covers it, was {said}"}


def test_a_locked_row_stays_as_it_stood(part: StemNotes, made: Plan) -> None:
    """Numbers and text of a locked note stay though its reading moved; a warning says so."""
    lock = Entry(id="EGL-0005", state="approved", locked=True, by="E", source="sheet")
    before = {r.id: r for r in made.rows}
    rulings, _ = rulings_from([lock], made.rows)
    errors = [-9.0, -8.0, -10.0, -9.5, -34.0, -8.5, -9.2, -8.8] * 2
    moved = stem("EGL", "fretted", line("EGL", PHRASE * 2, errors))
    recalled = Recalled(rulings=rulings, ledger=ledger_of(made, part), last_rows=made.rows)
    again = plan(moved, recalled)
    rows = {r.id: r for r in again.rows}
    human = {"state": "approved", "by": "E", "locked": True}
    assert rows["EGL-0005"] == replace(before["EGL-0005"], **human)  # type: ignore[arg-type]
    assert rows["EGL-0013"].add_cents != before["EGL-0013"].add_cents
    assert any(
        "EGL-0005 is locked (raise by" in f.what and "would now say raise by" in f.what
        for f in again.findings
    )
    judged = next(j for j in again.judged if j.measured.id == "EGL-0005")
    assert judged.add_cents == before["EGL-0005"].add_cents


@pytest.mark.parametrize(
    ("row_id", "wanted", "said"),
    [
        ("EGL-0005", Override(add_cents=-12.0), "lower by 12"),
        ("EGL-0005", Override(points=((0.0, -5.0), (0.5, -9.0))), "a move drawn by hand"),
        ("EGL-0005", Override(action="other-take"), "other-take"),
        ("EGL-0005", Override(intended_midi=70), "Bb4 was meant"),
        ("R-001", Override(add_cents=5.0), "raise by 5"),
        ("EGL-0005", Override(action="raise-lower"), ""),  # as it stands
    ],
)
def test_what_is_set_for_a_locked_row_is_listed(
    part: StemNotes, made: Plan, row_id: str, wanted: Override, said: str
) -> None:
    """The lock goes first: the row stays as it stood, and what was wanted is told."""
    lock = Entry(id=row_id, locked=True, by="E", source="sheet")
    mine = Entry(id=row_id, override=wanted, by="Ann", plan="plan_02")
    before = {r.id: r for r in made.rows}[row_id]
    again, rows = answered(made, part, lock, mine)
    assert (rows[row_id].add_cents, rows[row_id].action) == (before.add_cents, before.action)
    told = [f.what for f in again.findings if "something else was set" in f.what]
    assert told == (
        [f"{row_id} is locked, and something else was set for it: {said}."] if said else []
    )


def test_a_locked_rule_stays_where_the_bias_is_gone(part: StemNotes, made: Plan) -> None:
    """A locked rule is kept and carried out though it would not be found any more."""
    lock = Entry(id="R-001", state="approved", locked=True, by="E", source="sheet")
    rulings, _ = rulings_from([lock], made.rows)
    tuned = stem("EGL", "fretted", line("EGL", PHRASE * 2, [0.0, 1.0, -1.0, 0.5] * 4))
    recalled = Recalled(rulings=rulings, ledger=ledger_of(made, part), last_rows=made.rows)
    again = plan(tuned, recalled)
    rows = {r.id: r for r in again.rows}
    assert rows["R-001"].add_cents == made.rows[0].add_cents
    assert rows["R-001"].locked
    assert again.judged[0].layers == (("R-001", made.rows[0].add_cents),)


def test_hands_off_goes_before_everything(part: StemNotes, made: Plan) -> None:
    """A do-not-touch note is left whatever was said; the contradiction is listed."""
    hand = Entry(id="EGL-0005", answer="yes", override=Override(add_cents=-9.0), by="P")
    lock = Entry(id="EGL-0013", state="approved", locked=True, by="E", source="sheet")
    rulings, _ = rulings_from([hand, lock], made.rows)
    recalled = Recalled(rulings=rulings, ledger=ledger_of(made, part), last_rows=made.rows)
    spans = tuple(ProtectedSpan(note_id=i, why="the hook") for i in ("EGL-0005", "EGL-0013"))
    again = plan(part, recalled, do_not_touch=spans)
    rows = {r.id: r for r in again.rows}
    for note_id in ("EGL-0005", "EGL-0013"):
        assert rows[note_id].action == "leave"
        assert rows[note_id].reason == "not to be touched: the hook"
    told = " ".join(f.what for f in again.findings)
    assert "EGL-0005: P wants it moved, and the session file says not to touch it" in told
    assert "EGL-0013 is locked" in told


def test_an_answer_to_a_question_closes_it() -> None:
    """A question that was answered keeps its row and its words, and is no longer counted."""
    from planner.write.asking import asked

    asking = stem("LV", "lead-voice", line("LV", [60, 62, 64, 65], [0.0, 45.0, 0.0, 0.0]))
    first = plan(asking)
    assert [(r.id, r.kind) for r in first.rows] == [("Q-001", "question")]
    assert [one.row.id for one in asked(first)] == ["Q-001"]
    note = Entry(id="Q-001", answer="no", comment="she meant D", by="P")
    again, rows = answered(first, asking, note)
    assert (rows["Q-001"].state, rows["Q-001"].comment) == ("refused", "she meant D")
    assert asked(again) == ()


def test_nothing_is_never_minus_nothing(made: Plan) -> None:
    """Sour seconds that are all cleared are 0, not -0."""
    assert "-0" not in f"{made.sour_after_s:.0f} {made.sour_before_s:.0f}"


@pytest.mark.parametrize(("factor", "moved"), [(1.0, True), (2.5, False)])
def test_a_section_may_be_judged_less_strictly(factor: float, moved: bool) -> None:
    """The same note 21 cents sharp is moved, or left within two and a half times its tolerance."""
    part = stem("EGL", "fretted", line("EGL", PHRASE, [0.0, 0.0, 0.0, 0.0, 21.0, 0.0, 0.0, 0.0]))
    given = replace(
        session(part),
        tempo_marks=(TempoMark(bar=1, bpm=60.0),),
        sections=(
            Section(name="bridge", from_bar=1, to_bar=2, tolerance_factor=factor),
            Section(name="ending", from_bar=3, to_bar=9, tolerance_factor=0.7),
        ),
    )
    made = made_of(
        given, (part,), tempo_map=tempo_map_from_marks(given.tempo_marks, bar_one_at_s=0.0)
    )
    assert [r.id for r in made.rows if r.action == "raise-lower"] == ["EGL-0005"] * moved


@pytest.mark.parametrize(("factor", "moved"), [(1.0, True), (1.4, False)])
def test_a_rule_is_asked_for_as_strictly_as_its_section(factor: float, moved: bool) -> None:
    """A part 4.5 flat in one section is one row there, and none where 4.9 are asked for."""
    part = stem("EGL", "fretted", line("EGL", PHRASE * 2, [-4.5] * (2 * len(PHRASE))))
    given = replace(
        session(part),
        tempo_marks=(TempoMark(bar=1, bpm=60.0),),
        sections=(Section(name="verse", from_bar=1, to_bar=9, tolerance_factor=factor),),
    )
    made = made_of(
        given, (part,), tempo_map=tempo_map_from_marks(given.tempo_marks, bar_one_at_s=0.0)
    )
    assert [r.action for r in made.rows] == ["whole-part"] * moved
    # The stem's own factor counts alike.
    spec = replace(given.stems[0], tolerance_factor=factor)
    alone = made_of(replace(given, stems=(spec,), sections=()), (part,))
    assert [r.action for r in alone.rows] == ["whole-part"] * moved


def test_bars_of_a_rule_in_a_plan() -> None:
    """The notes outside are decided about by themselves, and the rule is not found there again.

    What the planner leaves out of it stays out.
    """
    errors = [-9.0, -8.0, -10.0, -9.5, 21.0, -8.5, -9.2, -8.8] * 2
    part = stem("EGL", "fretted", line("EGL", PHRASE * 2, errors))
    tempo = tempo_map_from_marks((TempoMark(bar=1, bpm=120.0),), bar_one_at_s=0.0)

    def planned(recalled: Recalled) -> Plan:
        return made_of(session(part), (part,), tempo_map=tempo, recalled=recalled)

    first = planned(Recalled(rulings={}))
    (rule,) = [r for r in first.rows if r.kind == "rule"]
    assert rule.start_bar is not None
    middle = (rule.start_bar + (rule.end_bar or 0)) // 2
    said = Entry(id=rule.id, override=Override(bars=(rule.start_bar, middle)), by="Ed")
    rulings, _ = rulings_from([said], first.rows)
    ledger = ledger_of(first, part)
    again = planned(Recalled(rulings=rulings, ledger=ledger, last_rows=first.rows))
    (kept,) = [r for r in again.rows if r.kind == "rule"]
    assert (kept.id, kept.scope, kept.start_bar) == (rule.id, "span", rule.start_bar)
    assert kept.covers == rule.covers[: len(kept.covers)]
    assert 0 < len(kept.covers) < len(rule.covers)
    assert kept.add_cents == rule.add_cents
    assert kept.reason.startswith(f"bars {rule.start_bar}-{middle}, set by Ed; the planner says ")
    # The next run finds the whole part once more, and it is the same rule in the same bars.
    ledger = with_rows(ledger, again.rows, [part.code])
    third = planned(Recalled(rulings=rulings, ledger=ledger, last_rows=again.rows))
    assert [(r.id, r.scope, r.covers) for r in third.rows if r.kind == "rule"] == [
        (rule.id, "span", kept.covers)
    ]
