"""All answers to a row come to one ruling; who wins, and what is listed as a contradiction."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.answer.answers import (
    ANSWERS,
    Entry,
    HumanColumns,
    Override,
    entry_of,
    largest_move,
    moved_since,
    plan_number,
    short,
    with_human,
)
from planner.answer.rulings import rulings_from
from tests.invented_plan import QUESTION, RULE, SHAPED, row


def reply(answer: str, **fields: object) -> Entry:
    whole = Entry(
        id="LV-0147", answer=answer, by="producer", plan="plan_01", source="reply",  # type: ignore[arg-type]
        stem="LV", add_cents=16.0,
    )  # fmt: skip
    return replace(whole, **fields)  # type: ignore[arg-type]


def typed(state: str | None, **fields: object) -> Entry:
    whole = Entry(
        id="LV-0147", state=state, by="editor", plan="plan_01", source="sheet", stem="LV",  # type: ignore[arg-type]
        add_cents=16.0,
    )  # fmt: skip
    return replace(whole, **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("answer", "state", "factor"),
    [("yes", "approved", 1.0), ("no", "refused", 1.0), ("ask", "parked", 1.0),
     ("half", "approved", 0.5), ("note", "new", 1.0)],
)  # fmt: skip
def test_what_each_word_means(answer: str, state: str, factor: float) -> None:
    """yes approves, no refuses, ask parks, half approves half, note only adds words."""
    rulings, findings = rulings_from([reply(answer, comment="hm")])
    ruling = rulings["LV-0147"]
    assert (ruling.state, ruling.factor, ruling.comment, ruling.by) == (
        state, factor, "hm", "producer",
    )  # fmt: skip
    assert findings == ()


def test_to_change_ones_mind_is_no_contradiction() -> None:
    """The later answer of one person stands, and nothing is listed."""
    rulings, findings = rulings_from([reply("yes"), reply("no")])
    assert rulings["LV-0147"].state == "refused"
    assert findings == ()


def test_two_people_who_disagree_are_listed() -> None:
    """The later one stands, and a warning says who said what."""
    rulings, findings = rulings_from([reply("no"), reply("yes", by="singer")])
    assert rulings["LV-0147"].state == "approved"
    assert findings[0].severity == "warning"
    assert "producer (in a reply): no; singer (in a reply): yes" in findings[0].what
    assert "Taken as approved, by singer" in findings[0].did
    assert rulings_from([reply("yes"), reply("half", by="singer")])[1] != ()
    assert rulings_from([reply("half"), typed("approved", plan="plan_02")])[1] == ()


def test_what_is_typed_goes_before_replies() -> None:
    """A reply to a later plan does not undo what a person typed into the list; it is listed."""
    rulings, findings = rulings_from([typed("approved"), reply("no", plan="plan_03")])
    assert (rulings["LV-0147"].state, rulings["LV-0147"].by) == ("approved", "editor")
    assert "contradict each other" in findings[0].what
    again, _ = rulings_from([reply("no"), typed("approved"), typed("refused", plan="plan_02")])
    assert again["LV-0147"].state == "refused"


def test_people_who_agree_are_not_listed() -> None:
    """The same answer twice, once typed, is no contradiction; nor is done after yes."""
    assert rulings_from([reply("yes"), typed("approved")])[1] == ()
    rulings, findings = rulings_from([reply("yes"), typed("done")])
    assert rulings["LV-0147"].state == "done"
    assert findings == ()


def test_comments_are_never_overwritten() -> None:
    """A later reply's words come below; what is typed replaces, since the cell held all."""
    words = [reply("no", comment="love it,\n  as is "), reply("ask", comment="ask her")]
    assert rulings_from(words)[0]["LV-0147"].comment == "love it,\n  as is \nask her"
    cell = typed(None, comment="love it")
    assert rulings_from([*words, cell])[0]["LV-0147"].comment == "love it"
    assert rulings_from([*words, typed(None, comment="")])[0]["LV-0147"].comment == ""
    assert rulings_from([words[0], words[0]])[0]["LV-0147"].comment == "love it,\n  as is "


def test_half_of_what_was_seen() -> None:
    """Yes to a halved move keeps the half, half of it is a quarter; in one plan the last stands."""
    half = reply("half")
    for then, factor in (
        (reply("yes", plan="plan_02"), 0.5),
        (reply("half", plan="plan_02"), 0.25),
        (reply("yes"), 1.0),
        (half, 0.5),
        (typed("new", plan="plan_02"), 1.0),
    ):
        assert rulings_from([half, then])[0]["LV-0147"].factor == factor


def test_a_lock_freezes_the_row_as_it_stood() -> None:
    """A locked row comes with the last plan's row; an answer after it is listed."""
    rulings, findings = rulings_from([typed("approved", locked=True)], [row()])
    assert rulings["LV-0147"].frozen == row()
    assert findings == ()
    late = reply("no", plan="plan_02")
    rulings, findings = rulings_from([typed("approved", locked=True), late], [row()])
    assert rulings["LV-0147"].state == "approved"
    assert any("is locked, and was answered otherwise: no" in f.what for f in findings)
    _, findings = rulings_from([reply("half"), typed("approved", locked=True)], [row()])
    assert [f.what for f in findings] == ["LV-0147 is locked, and was answered otherwise: half."]
    in_one_reply = [reply("no"), reply(None, locked=True)]
    rulings, findings = rulings_from(in_one_reply, [row()])
    assert (rulings["LV-0147"].locked, rulings["LV-0147"].frozen, findings) == (True, None, ())
    left = row(action="leave", state="refused", locked=True)
    assert rulings_from(in_one_reply, [left])[0]["LV-0147"].frozen == left
    seen = typed("approved", locked=True, plan="plan_02")
    assert rulings_from([reply("half"), seen], [row()])[1] == ()
    open_again = typed(None, locked=False, plan="plan_02")
    rulings, _ = rulings_from([typed("approved", locked=True), open_again], [row()])
    assert rulings["LV-0147"].frozen is None


def test_a_value_by_hand_comes_with_its_author() -> None:
    """An override names its author; a reply before it keeps its state."""
    mine = Entry(id="LV-0147", override=Override(add_cents=9.0), by="editor")
    ruling = rulings_from([reply("yes"), mine])[0]["LV-0147"]
    assert (ruling.state, ruling.by, ruling.override) == ("approved", "editor", mine.override)


def test_what_a_person_typed_is_what_differs() -> None:
    """Only columns that differ from what the plan wrote count as typed."""
    entry = entry_of(row(), plan="plan_02", sha256="ab", source="sheet", by="editor")
    assert (entry.was, entry.add_cents, entry.intended, entry.stem, entry.start_s) == (
        "raise by 16, give or take 2", 16.0, "D5", "LV", 84.7826,
    )  # fmt: skip
    written = HumanColumns(state="refused", by="producer", comment="leave")
    same = with_human(entry, written, written)
    assert (same.state, same.comment, same.locked, same.by) == (None, None, None, "producer")
    typed = HumanColumns(state="approved", by="me", comment="leave", locked=True)
    other = with_human(entry, typed, written)
    assert (other.state, other.comment, other.locked, other.by) == ("approved", None, True, "me")


def test_what_is_left_blank_stays_as_it_stood() -> None:
    """Of a list whose plan is not known only what was filled in says anything."""
    before = HumanColumns(state="refused", by="producer", comment="leave", locked=True)
    assert HumanColumns().over(before) == before
    filled = HumanColumns(state="done", comment="see take 2")
    wanted = HumanColumns(state="done", by="producer", comment="see take 2", locked=True)
    assert filled.over(before) == wanted


def test_the_largest_move_speaks_for_a_row() -> None:
    """One number, or the largest along the note; None without an edit."""
    assert largest_move(row()) == 16.0
    assert largest_move(SHAPED) == 18.04
    assert largest_move(QUESTION) is None
    assert largest_move(RULE) == 4.3


@pytest.mark.parametrize(
    ("answer", "add_cents", "moved"),
    [("yes", 20.0, False), ("yes", 20.1, True), ("half", 10.0, False), ("half", 10.1, True)],
)
def test_approval_holds_within_4_cents(answer: str, add_cents: float, moved: bool) -> None:
    """Beyond 4 cents from what was shown another thing is proposed, also where half was taken."""
    ruling = rulings_from([reply(answer)])[0]["LV-0147"]
    assert moved_since(row(add_cents=add_cents), ruling) is moved


def test_approval_of_a_move_that_is_gone() -> None:
    """A row that moves no more is not what was approved; a typed number needs no approval."""
    ruling = rulings_from([reply("yes")])[0]["LV-0147"]
    assert moved_since(row(action="leave", add_cents=None), ruling)
    mine = Entry(id="LV-0147", override=Override(add_cents=9.0))
    assert not moved_since(row(add_cents=9.0), rulings_from([reply("yes"), mine])[0]["LV-0147"])


def test_two_people_who_name_two_notes() -> None:
    """The last name is taken and the other is listed; one's own second thought is not."""
    names = [Entry(id="LV-0147", override=Override(intended_midi=m), by=who)
             for who, m in (("Ann", 62), ("Bo", 63))]  # fmt: skip
    rulings, findings = rulings_from(names)
    assert rulings["LV-0147"].override == Override(intended_midi=63)
    assert [f.what for f in findings] == [
        "LV-0147 has two names for the note that was meant: Ann: D4; Bo: Eb4."
    ]
    assert findings[0].did == "Taken as Eb4, which was said last."
    assert rulings_from([names[0], replace(names[1], by="Ann")])[1] == ()


def test_names_and_long_words() -> None:
    """Numbers of plan folders; comments cut for sentences."""
    assert [plan_number(n) for n in ("plan_07", "plan_112", "plan_x", "")] == [7, 112, 0, 0]
    assert short("a\n b") == "a b"
    assert len(short("word " * 40)) <= 60


@given(st.lists(st.sampled_from(ANSWERS), min_size=1, max_size=6))
def test_one_voice_never_contradicts_itself(answers: list[str]) -> None:
    """Whatever one person answers in a row, the last stand decides and nothing is listed."""
    rulings, findings = rulings_from([reply(a) for a in answers])
    assert findings == ()
    states = {"yes": "approved", "half": "approved", "no": "refused", "ask": "parked"}
    stands = [states[a] for a in answers if a in states]
    assert rulings["LV-0147"].state == (stands[-1] if stands else "new")


def test_nobody_is_said_to_have_refused_what_he_approved() -> None:
    """A no without a name is nobody's, whoever said half before; a comment's author may stay."""
    half = Entry(id="LV-0147", answer="half", by="producer", plan="plan_01", source="reply")
    no = Entry(id="LV-0147", answer="no", plan="plan_01", source="reply")
    words = Entry(id="LV-0147", comment="too much", by="singer", plan="plan_01", source="reply")
    for entries, by in (((half, no), ""), ((words, no), "singer"), ((no, half), "producer")):
        rulings, _ = rulings_from(entries, (row(),))
        assert rulings["LV-0147"].by == by
