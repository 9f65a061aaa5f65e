"""The hand-off sheet: what goes to the mix with the files, on a page or two, to print and tick."""

from collections import Counter
from typing import get_args

from planner import __version__
from planner.answer.questions import words_to_type
from planner.model import FIXED_ROLES, Finding
from planner.words.plan_model import EDIT_ACTIONS, Plan, Row, State
from planner.words.spelling import names_at
from planner.words.wording import SIGN_RULE, count, finding_place, minutes, row_place
from planner.write.asking import asked, asked_of_the_session, not_asked
from planner.write.in_short import reference_in_short
from planner.write.markdown import plain, table
from planner.write.provenance import plan_id
from planner.write.tally import biggest_rules, edits, left_on_purpose

# Chosen: with these a session of two dozen stems still prints on two pages.
_RULES_TOLD, _LEFT_TOLD, _SESSION_TOLD = 10, 4, 3
_SHA256_SHOWN = 12  # chosen: characters that tell files of a session apart by eye
_BOX = "[  ]"
_FORMS = {1: "mono", 2: "stereo"}
_STATES: tuple[State, ...] = get_args(State)


def hand_off_markdown(plan: Plan) -> str:
    """Write the sheet: reference, files, rules, counts, left on purpose, questions, import steps.

    What a person fills in (check result, initials, time) is left as lines to write on.
    """
    session = plan.session
    title = plain(session.song) + (f" ({plain(session.song_code)})" if session.song_code else "")
    parts = [
        [f"# Hand-off sheet: {title}", "", f"Sign rule: {SIGN_RULE}."],
        ["## Reference", "", *(f"- {plain(line)}" for line in _reference(plan))],
        ["## Files", "", *_files(plan)],
        ["## Edits", "", *_edits(plan)],
        ["## Left on purpose", "", *_left(plan)],
        ["## Open questions", "", *_questions(plan)],
        ["## Import of the guide", "", *_import(plan)],
        ["## Signed", "", *_signed(plan)],
    ]
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _reference(plan: Plan) -> list[str]:
    return [
        *reference_in_short(plan),
        f"Set guide instruments to A = {plan.a4.a4_hz:.1f} Hz.",
        f"Temperament: {plan.session.temperament}; judging: {plan.session.judging}.",
        f"Plan {plan_id(plan)}, as its run.yaml and review page name it; planner {__version__}.",
    ]


def _files(plan: Plan) -> list[str]:
    rows = []
    for code, facts in plan.facts:
        others = next((s.linked for s in plan.session.stems if s.code == code), ())
        name = facts.file + (f" (move with it: {', '.join(others)})" if others else "")
        form = f"{facts.sr} Hz, {_FORMS.get(facts.channels, f'{facts.channels} channels')}"
        length = f"{facts.length_s:.2f} s"
        rows.append((code, plain(name), length, form, facts.sha256[:_SHA256_SHOWN]))
    head = ("stem", "file", "length", "form", f"SHA-256, first {_SHA256_SHOWN}")
    lines = table(head, rows)
    if plan.missing:
        lines += ["", f"Left out: {', '.join(map(plain, plan.missing))}."]
    return lines


def _edits(plan: Plan) -> list[str]:
    number, time = edits(plan)
    states = Counter(row.state for row in plan.rows if row.action in EDIT_ACTIONS)
    said = ", ".join(f"{states[state]} {state}" for state in _STATES if states[state])
    lines = [f"- {count(number, 'edit')} proposed, {minutes(time)} by hand ({said or 'none'})."]
    above = [o for o in plan.offenders if o.above_stop_line]
    if len(above) < len(plan.offenders):
        spent = minutes(above[-1].minutes_so_far) if above else "no time"
        lines.append(f"- Stop line after the first {count(len(above), 'offender')}, {spent}.")
    rules = biggest_rules(plan, len(plan.rows))
    lines += [f"- {_BOX} {_rule(row)}" for row in rules[:_RULES_TOLD]]
    if len(rules) > _RULES_TOLD:
        lines.append(f"- {len(rules) - _RULES_TOLD} more rules: see the edit list.")
    singles = Counter(
        row.stem for row in plan.rows if row.kind == "note" and row.action in EDIT_ACTIONS
    )
    if singles:
        boxes = ", ".join(f"{_BOX} {stem} {n}" for stem, n in singles.items())
        lines.append(f"- Single notes, in play order in the edit list: {boxes}.")
    return lines


def _rule(row: Row) -> str:
    files = f" ({len(row.apply_to)} files together)" if len(row.apply_to) > 1 else ""
    notes = count(row.notes_covered, "note")
    return f"{row.id}, {row.stem}{files}, {notes}: {plain(row.in_words).rstrip('.')}."


def _left(plan: Plan) -> list[str]:
    fixed = [s.code for s in plan.stems if s.role in FIXED_ROLES]
    lines = [f"- {', '.join(fixed)}: the reference, never edited."] if fixed else []
    groups = left_on_purpose(plan)
    lines += [
        f"- {count(g.notes, 'note')} of {', '.join(g.stems)}{', each' if g.notes > 1 else ''}: "
        f"{_sentence(g.reason)}"
        for g in groups[:_LEFT_TOLD]
    ]
    if len(groups) > _LEFT_TOLD:
        rest = sum(g.notes for g in groups[_LEFT_TOLD:])
        lines.append(f"- {count(rest, 'note')} for other reasons: see the summary.")
    return lines or ["- Nothing."]


def _questions(plan: Plan) -> list[str]:
    about = asked_of_the_session(plan)
    lines = [f"- {_asked(finding)}" for finding in about[:_SESSION_TOLD]]
    if len(about) > _SESSION_TOLD:
        more = count(len(about) - _SESSION_TOLD, "question")
        lines.append(f"- {more} more about the session: see the summary.")
    for one in sorted(asked(plan), key=lambda one: one.row.id):  # as they stand in the list
        row = one.row
        again = f" and {count(len(one.alike), 'place')} more" if one.alike else ""
        lines.append(
            f"- {row.id}, {row.stem}, {row_place(row)}{again}: "
            f"{_sentence(row.reason)} Answer: "
            f"{words_to_type(row, names_at(plan.keys, row.start_bar))}."
        )
    rest = sum(group.notes for group in not_asked(plan))
    if rest:
        are = "note is" if rest == 1 else "notes are"
        lines.append(f"- {rest} more {are} not settled and left as recorded: see the summary.")
    return lines or ["- None."]


def _asked(finding: Finding) -> str:
    where = finding_place(finding)
    said = " ".join(part for part in (finding.what, finding.advice) if part)
    return plain(f"{where}: {said}" if where else f"{said[:1].upper()}{said[1:]}")


def _sentence(text: str) -> str:
    said = plain(text).rstrip(".")
    return said if said.endswith("?") else f"{said}."


def _import(plan: Plan) -> list[str]:
    has_map = bool(plan.session.tempo_marks) or plan.session.tempo_file is not None
    tempo = (
        "take its tempo map when asked"
        if has_map
        else "set the project to 120 beats a minute first (no tempo map was given)"
    )
    return [
        f"1. Import `guide.mid` into an empty project; {tempo}.",
        "2. Put the stems' first sample on the marker FILE START, or on the file's own start where "
        "there is no such marker.",
        "3. Compare a CHECK marker with the clock it names; if they differ, do not edit yet.",
    ]


def _signed(plan: Plan) -> list[str]:
    told = "; ".join(f"{code}: {plain(words)}" for code, words in plan.session.consent)
    line = "_" * 24
    return [
        f"- Consent: {told or 'not recorded'}.",
        f"- Check of the corrected bounces: {line}",
        f"- Edited by: {line} Time: {line}",
        f"- Received for the mix: {line} Time: {line}",
        "",
        "The untouched files stay in the session, muted and labelled. If it sounds right, it is "
        "right: check by ear before and after.",
    ]
