"""The plan in a few sentences: where A4 stands, what is proposed, what was measured, cautions."""

from planner.clear.stays_sour import CHORDS_STAY, NOBODYS
from planner.pitch import STANDARD_A4_HZ, cents, note_name
from planner.words.plan_model import Plan
from planner.words.wording import amount, count, flat_or_sharp, give_or_take, minutes, percent
from planner.write.asking import asked, asked_of_the_session, not_asked
from planner.write.markdown import plain
from planner.write.relief import is_crowded, relief_sentence
from planner.write.tally import advice, biggest_rules, coverage, edits, notes_moved

AGREES_CENTS = 3.0  # common practice, no source: a larger gap to the typed A4 is said aloud

_STAYS_TOLD_S = 1.0  # chosen: less is no matter of the whole session

CAUTIONS = (
    "Hearing: start low. Plain tones sound louder than their meter reading; check once quiet and "
    "once at the level people will listen at, and take breaks. At 85 dBA eight hours fill a "
    "working day's allowance, at 94 dBA one hour, at 100 dBA 15 minutes (NIOSH, publication "
    "98-126, 1998); over a week, 80 dBA for 40 hours is the adult limit of WHO and ITU (H.870).",
    "Loud and quiet: low, pure sounds seem lower when loud, high ones higher; no figure here "
    "knows how loud you listen.",
    "Originals: audio was opened for reading only. Work on copies, and keep the untouched comp "
    "in the session, muted and labelled.",
    "Consent: edits change a performer's work. Ask, or note who decided.",
    "Measured, not judged: uncertainties are shown; check by ear before and after. "
    "If it sounds right, it is right. The list is an offer.",
)


def reference_sentences(plan: Plan) -> list[str]:
    """Say where session A4 stands, how sure that is, and whether it agrees with a typed value."""
    a4, typed = plan.a4, plan.session.a4_hz
    away = cents(a4.a4_hz, STANDARD_A4_HZ)
    near = "which is 440 Hz" if round(away, 1) == 0 else f"{flat_or_sharp(away)} of 440 Hz"
    notes = f", {count(a4.notes_used, 'note')}" if a4.notes_used else ""
    lines = [f"Session A4 stands at {a4.a4_hz:.1f} Hz, {near} (from: {a4.found_from}{notes})."]
    if a4.measured_hz is not None:
        sure = (
            f"{give_or_take(a4.uncertainty_cents)} cents"
            if a4.uncertainty_cents is not None
            else "; how sure that is could not be said"
        )
        lines.append(f"Measured: {a4.measured_hz:.2f} Hz{sure}.")
        if typed is not None:
            lines.append(_beside_the_typed(typed, cents(a4.measured_hz, typed)))
    elif typed is not None:
        lines.append(f"A person typed {typed:g} Hz; nothing was measured to hold against it.")
    stretched = [
        f"{note_name(midi)} {flat_or_sharp(bend)}" for midi, bend in a4.stretch if midi % 12 == 9
    ]
    if stretched:
        lines.append(
            f"Octaves of the reference, against equal temperament: {', '.join(stretched)}."
        )
    lines.append(f"Set the guide instrument to A = {a4.a4_hz:.1f} Hz.")
    return lines


def reference_in_short(plan: Plan) -> list[str]:
    """Say where session A4 stands, and what was typed that disagrees or cannot be used."""
    measured_hz, typed = plan.a4.measured_hz, plan.session.a4_hz
    lines = reference_sentences(plan)[:1]
    # Of the stem that was named, A4 has only one thing to tell: that it could not be used.
    named = [f for f in plan.a4.findings if f.stem and f.stem == plan.session.reference_from]
    lines += [f"{f.what} {f.did}" for f in named]
    if measured_hz is not None and typed is not None:
        gap = cents(measured_hz, typed)
        lines += [_beside_the_typed(typed, gap)] if not _agrees(gap) else []
    return lines


def _beside_the_typed(typed_hz: float, gap_cents: float) -> str:
    if _agrees(gap_cents):
        verdict = f"what was measured agrees, {amount(gap_cents)} cents apart"
    else:
        verdict = f"WHAT WAS MEASURED DISAGREES: it is {flat_or_sharp(gap_cents)} of that"
    return f"A person typed {typed_hz:g} Hz, and that is used; {verdict}."


def _agrees(gap_cents: float) -> bool:
    return abs(round(gap_cents, 1)) <= AGREES_CENTS


def in_short(plan: Plan) -> list[str]:
    """Say the plan's few large numbers, one sentence each."""
    number, time = edits(plan)
    rules = len(biggest_rules(plan, len(plan.rows)))
    of_session = len(asked_of_the_session(plan))
    questions = len(asked(plan)) + of_session
    rest = sum(group.notes for group in not_asked(plan))
    many = ""
    if rules:
        are, cover = ("is a rule", "covers") if rules == 1 else ("are rules", "cover")
        many = (
            f"; {rules} of them {are} that {cover} many notes at once, so "
            f"{notes_moved(plan)} of {count(len(plan.judged), 'note')} are moved in all"
        )
    lines = [f"{count(number, 'edit')} proposed, {minutes(time)} by hand{many}."]
    if questions:
        where = _where_asked(questions - of_session, of_session)
        lines.append(f"{count(questions, 'question')} only a person can answer: {where}.")
    if rest:
        lines.append(
            f"{count(rest, 'note')} not settled and left as recorded: nothing hangs on an answer, "
            "or too little."
        )
    if plan.sour_before_s is not None and plan.sour_after_s is not None:
        lines.append(
            f"Sour seconds: {plan.sour_before_s:.0f} as recorded, "
            f"{plan.sour_after_s:.0f} if every edit is made{_what_stays(plan)}."
        )
    if is_crowded(plan):
        lines.append(
            f"So many parts beat at once that few moments come clear; of the beating in them, each "
            f"pair counted by itself, {plan.offenders[-1].beating_left_s:.0f} of "
            f"{plan.beating_before_s:.0f} s are left if every edit is made."
        )
    lines += [
        f"No edit reaches what is sour in {row.stem}'s chords: {row.id} says what helps."
        for row in advice(plan)
        if row.rule_name == CHORDS_STAY
    ]
    if relief_sentence(plan):
        lines.append(relief_sentence(plan))
    lines.append(coverage_sentence(plan))
    if plan.missing:
        lines.append(f"Left out, so nothing is said about: {', '.join(map(plain, plan.missing))}.")
    return lines


def _where_asked(of_rows: int, of_session: int) -> str:
    """Say where the questions stand, and how many in each place where there are two."""
    page = "on the review page"
    session = "about the session, in summary.md among what was found on the way"
    if of_rows and of_session:
        return f"{of_rows} {page}, {of_session} {session}"
    return page if of_rows else session


def _what_stays(plan: Plan) -> str:
    """Say what the sour seconds that stay lie in, where a second and more does."""
    told = [(f"{s:.0f} {why}", why == NOBODYS) for why, s in plan.stays if s >= _STAYS_TOLD_S]
    of_these = "; ".join(said for said, beside in told if not beside)
    besides = "".join(f". Beside these, {said}" for said, beside in told if beside)
    return (f"; of these {of_these}" if of_these else "") + besides


def coverage_sentence(plan: Plan) -> str:
    """Say how many of the notes found were measured, in number and in time."""
    found = coverage(plan)
    if found.share is None:
        return "No notes were found." if not plan.missing else "No notes were judged."
    by_time = "" if found.time_share is None else f", by time {percent(found.time_share)}"
    return (
        f"{found.measured} of {count(found.notes, 'note')} measured "
        f"({percent(found.share)}{by_time})."
    )
