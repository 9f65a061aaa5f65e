"""The hand-off sheet: everything the next person needs, on two pages."""

import textwrap
from dataclasses import replace

import pytest
from invented_plan import FACTS, OFFENDER, QUESTION, RULE, judged, plan, row

from planner.words.session_model import StemSpec, TempoMark
from planner.write.hand_off import hand_off_markdown
from planner.write.provenance import run_record


def section(text: str, title: str) -> str:
    """What stands under a heading."""
    return text.split(f"## {title}\n\n", 1)[1].split("\n\n## ", 1)[0]


def test_it_holds_what_the_trade_puts_on_it() -> None:
    """Reference, files, edits, what was left, questions, import, signatures: in this order.

    The list is common practice, no source.
    """
    text = hand_off_markdown(plan())
    assert [line[3:] for line in text.splitlines() if line.startswith("## ")] == [
        "Reference", "Files", "Edits", "Left on purpose", "Open questions", "Import of the guide",
        "Signed",
    ]  # fmt: skip
    assert "Set guide instruments to A = 441.0 Hz." in section(text, "Reference")
    assert "Consent: LV: yes, keep scoops." in section(text, "Signed")


def test_files_are_named_with_what_tells_them_apart() -> None:
    """Length, rate, channels, the start of the SHA-256, what moves together, what is missing."""
    base = plan()
    linked = replace(base.session.stems[2], linked=("audio/lead_amp.wav",))
    session = replace(base.session, stems=(*base.session.stems[:2], linked, base.session.stems[3]))
    files = section(hand_off_markdown(plan(session=session)), "Files")
    assert (
        "| LV | audio/lead.wav (move with it: audio/lead_amp.wav) | 180.50 s | 48000 Hz, mono "
        "| abababababab |"
    ) in files
    assert "Left out: CEL." in files
    for channels, said in ((2, "48000 Hz, stereo"), (6, "48000 Hz, 6 channels")):
        wide = plan(facts=(("LV", replace(FACTS, channels=channels)),))
        assert said in section(hand_off_markdown(wide), "Files")


def test_edits_are_counted_by_state_and_ticked_rule_by_rule() -> None:
    """Three edits: one approved, two new; the rule with its files, the single notes by stem."""
    edits = section(hand_off_markdown(plan()), "Edits")
    assert "3 edits proposed, about 2 minutes by hand (2 new, 1 approved)." in edits
    assert "- [  ] R-001, BAS (2 files together), 24 notes: raise by 4.3" in edits
    assert "- Single notes, in play order in the edit list: [  ] LV 2." in edits
    assert "Stop line after the first 2 offenders, about 1 minute." in edits
    whole = plan(offenders=(OFFENDER,))
    assert "Stop line" not in hand_off_markdown(whole)


def test_questions_keep_their_own_mark() -> None:
    """A question ends with its question mark alone, and the words that answer it follow."""
    said = section(hand_off_markdown(plan()), "Open questions")
    assert said.endswith("which was meant? Answer: Q-001 yes, Q-001 no (leave it) or Q-001 ask.")


def test_questions_stand_as_in_the_list() -> None:
    """A sheet that is worked through goes in the list's order, whatever weighs most."""
    last = QUESTION.end_s
    assert last is not None
    longer = replace(QUESTION, id="Q-002", end_s=last + 2.0)
    said = section(hand_off_markdown(plan(rows=(QUESTION, longer))), "Open questions")
    assert said.index("Q-001") < said.index("Q-002")


def test_long_lists_are_cut_and_say_so() -> None:
    """Two dozen stems, rules and questions leave a sheet of two pages; what is cut is counted."""
    files = [f"consolidated/LTL_part_{k:02d}_comp.wav" for k in range(24)]
    stems = tuple(
        StemSpec(code=f"S{k:02d}", file=file, role="fretted",
                 linked=(file.replace("comp", "amp"),) if k < 4 else ())
        for k, file in enumerate(files)
    )  # fmt: skip
    rules = tuple(replace(RULE, id=f"R-{k:03d}") for k in range(1, 25))
    notes = tuple(row(id=f"{s.code}-{k:04d}", stem=s.code) for s in stems for k in range(1, 8))
    asked = tuple(
        replace(QUESTION, id=f"Q-{k:03d}",
                reason="44 flat for Eb2, so between two notes: which was meant, D2 or Eb2?")
        for k in range(1, 25)
    )  # fmt: skip
    left = tuple(
        judged(f"S{k % 24:02d}-{k:04d}", action="leave", rule_name=f"rule {k % 7}", layers=(),
               reason="falls off at its very end, as in the other verses: kept")
        for k in range(240)
    )  # fmt: skip
    whole = plan(rows=(*rules, *notes, *asked), judged=(judged(), *left), facts=tuple(
        (s.code, replace(FACTS, file=s.file)) for s in stems))  # fmt: skip
    text = hand_off_markdown(replace(whole, session=replace(whole.session, stems=stems)))
    assert "- 14 more rules: see the edit list." in text
    assert "- 14 more notes are not settled and left as recorded: see the summary." in text
    assert "notes for other reasons: see the summary." in text
    # As plain text, 10-point type of 0.6 em on A4 within 12 mm: 88 letters wide, 67 lines a page.
    lines = [part for one in text.splitlines() for part in textwrap.wrap(one, 88) or [""]]
    assert len(lines) <= 2 * 67


def test_it_names_its_plan() -> None:
    """The sheet says which plan it goes with, by the name in run.yaml and on the page."""
    made = plan()
    name = run_record(made, {})["plan_id"]
    assert f"- Plan {name}, as its run.yaml and review page name it; planner " in section(
        hand_off_markdown(made), "Reference"
    )


def test_a_reason_is_said_of_each_note() -> None:
    """What was decided for each of several notes is not said as if it were one."""
    reason = "rises into the note and arrives: kept"
    one, two = (
        judged(f"LV-{k:04d}", action="leave", rule_name="scoop", reason=reason, layers=())
        for k in (1, 2)
    )
    stems = plan().stems
    for notes, said in (
        ((one,), "1 note of LV: rises"),
        ((one, two), "2 notes of LV, each: rises"),
    ):
        assert said in section(
            hand_off_markdown(plan(judged=notes, stems=stems)), "Left on purpose"
        )


@pytest.mark.parametrize(("marks", "said"), [
    ((), "set the project to 120 beats a minute first"),
    ((TempoMark(bar=1, bpm=92.0),), "take its tempo map when asked"),
])  # fmt: skip
def test_import_steps_follow_the_tempo_map(marks: tuple[TempoMark, ...], said: str) -> None:
    """Without a tempo map the project must be set to the guide's tempo by hand."""
    text = hand_off_markdown(plan(session=replace(plan().session, tempo_marks=marks)))
    assert said in section(text, "Import of the guide")


def test_texts_of_the_session_stay_on_their_line() -> None:
    """A song name with line breaks and markup changes nothing of the sheet's layout."""
    session = replace(plan().session, song="Low\n# Tide | <b>")
    assert hand_off_markdown(plan(session=session)).startswith(
        "# Hand-off sheet: Low # Tide \\| &lt;b>\n"
    )


def test_a_refused_note_has_no_box_to_tick() -> None:
    """What a person did not want is left, and nobody is to hand it over."""
    base = plan()
    rows = tuple(
        replace(row, action="leave", add_cents=0.0, state="refused")
        if row.kind == "note" and row.stem == "LV"
        else row
        for row in base.rows
    )
    edits = section(hand_off_markdown(plan(rows=rows)), "Edits")
    assert "Single notes" not in edits
