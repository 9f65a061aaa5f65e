"""The lines of the review page: offenders above the stop line, then questions."""

from dataclasses import replace

from invented_plan import OFFENDER, QUESTION, RULE, judged, plan, row

from planner.review.page_lines import page_lines


def test_offenders_come_before_questions() -> None:
    """Offenders above the stop line in their order, then every question."""
    assert [line.row.id for line in page_lines(plan())] == ["LV-0147", "R-001", "Q-001"]


def test_an_offender_without_a_row_is_left_out() -> None:
    """What is not in the list cannot be answered."""
    lost = plan(offenders=(replace(OFFENDER, row_id="LV-9999"),), rows=(row(),))
    assert page_lines(lost) == ()


def test_a_rule_is_heard_by_its_typical_note() -> None:
    """The note in the middle of what is heard stands for the rule, if it can be seen and heard."""
    rows = (replace(RULE, covers=("BAS-0001", "BAS-0002", "BAS-0003")),)
    (line,) = page_lines(plan(rows=rows, offenders=(replace(OFFENDER, row_id="R-001"),)))
    assert line.note is not None
    assert line.note.measured.id == "BAS-0001"  # 8 flat, between 7 and 9
    assert line.of_notes == 3
    made = plan(rows=rows, offenders=(replace(OFFENDER, row_id="R-001"),))
    cents = (-13.0, -9.0, -8.0, -7.5, -7.0, -1.0)
    ids = tuple(f"BAS-{k:04d}" for k in range(1, 7))
    notes = []
    for k, (off, length_s) in enumerate(zip(cents, (1.4, 0.3, 0.1, 0.1, 0.6, 1.4), strict=True)):
        one = judged(ids[k], 33, start_s=float(k), heard_cents=off)
        note = replace(one.measured.note, end_s=k + length_s)
        notes.append(replace(one, measured=replace(one.measured, note=note)))
    rows = (replace(RULE, covers=ids),)
    (line,) = page_lines(replace(made, rows=rows, judged=tuple(notes)))
    assert line.note is not None
    assert line.note.measured.id == "BAS-0005"  # of the middle half the one of half a second
    bare = replace(notes[4].measured.measurement, contour_s=None, contour_hz=None)
    notes[4] = replace(notes[4], measured=replace(notes[4].measured, measurement=bare))
    (line,) = page_lines(replace(made, rows=rows, judged=tuple(notes)))
    assert line.note is not None
    assert line.note.measured.id == "BAS-0002"  # drawn as a line, unlike the longer one


def test_rules_have_a_line_wherever_they_rank() -> None:
    """One line is wanted: of a note and a rule behind it both are shown, of two notes the first."""
    made = plan()
    one = replace(made, session=replace(made.session, offenders_wanted=1))
    assert [line.row.id for line in page_lines(one)] == ["LV-0147", "R-001", "Q-001"]
    notes = (OFFENDER, replace(OFFENDER, rank=2, row_id="LV-0150"))
    two = replace(one, offenders=notes, rows=(row(), row(id="LV-0150")))
    assert [line.row.id for line in page_lines(two)] == ["LV-0147"]


def test_the_same_fault_elsewhere_is_named() -> None:
    """Edits that move the same note of a stem the same way are alike; others are not."""
    others = (
        row(id="LV-0150", add_cents=12.0),
        row(id="LV-0151", add_cents=-12.0),
        row(id="LV-0152", intended_midi=76),
        row(id="BV-0001", stem="BV"),
    )
    (line,) = page_lines(plan(rows=(row(), *others), offenders=(OFFENDER,)))
    assert line.alike == ("LV-0150",)


def test_rules_and_questions_have_nothing_alike() -> None:
    """A rule covers its notes by itself, and a question is asked of one note."""
    same = plan(rows=(row(), RULE, QUESTION, replace(QUESTION, id="Q-002")))
    assert [line.alike for line in page_lines(same)] == [(), (), (), ()]


def test_a_question_on_an_unknown_note_is_still_asked() -> None:
    """Without its note a question has words alone."""
    asked = replace(QUESTION, covers=("EGL-0001",))
    (line,) = page_lines(plan(rows=(asked,), offenders=(), judged=(judged(),)))
    assert line.note is None
    assert line.of_notes == 0
