"""The plan in words: the session tuning summary, as Markdown."""

from __future__ import annotations

from planner.asking import asked, not_asked
from planner.changes import anything, since_sentence
from planner.loudness_pitch import level_lines
from planner.markdown import plain, table
from planner.model import Finding
from planner.pitch import A4_MIDI, STANDARD_A4_HZ, cents, note_name
from planner.plan_model import Plan, Since, StemSummary
from planner.relief import RELIEF_HEAD, relief_rows, relief_sentence
from planner.spelling import names_at
from planner.string_grid import string_grids
from planner.suggestions import suggestions
from planner.tally import (
    Group,
    PitchBias,
    biggest_rules,
    coverage,
    edits,
    left_on_purpose,
    not_measured,
    notes_moved,
    pitch_biases,
)
from planner.tuner import strings_told, strings_words
from planner.wording import (
    SIGN_RULE,
    amount,
    count,
    finding_place,
    flat_or_sharp,
    give_or_take,
    minutes,
    percent,
    place,
)

AGREES_CENTS = 3.0  # common practice, no source: a larger gap to the typed A4 is said aloud

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


def summary_markdown(plan: Plan) -> str:
    """Write the session tuning summary: what was found, planned, left, and assumed."""
    parts = [
        [f"# Tuning summary: {plain(plan.session.song)}", "", f"Sign rule: {SIGN_RULE}."],
        ["## The reference", "", *(f"- {plain(line)}" for line in reference_sentences(plan))],
        ["## In short", "", *(f"- {line}" for line in in_short(plan))],
        _relief(plan),
        _since(plan.since),
        _keys(plan),
        _stems(plan.stems),
        _rules(plan),
        _biases(pitch_biases(plan)),
        _voicings(plan),
        _strings(plan),
        _suggestions(plan),
        _left(plan),
        _not_settled(plan),
        _unmeasured(plan),
        ["## What was found on the way", "", *_findings(plan)],
        ["## What was assumed", "", *(f"- {line}" for line in _assumed(plan))],
        [
            "## Before you listen and edit",
            "",
            *(f"- {line}" for line in (*CAUTIONS, *level_lines(plan))),
        ],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


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
            gap = cents(a4.measured_hz, typed)
            if abs(round(gap, 1)) <= AGREES_CENTS:
                verdict = f"what was measured agrees, {amount(gap)} cents apart"
            else:
                verdict = f"WHAT WAS MEASURED DISAGREES: it is {flat_or_sharp(gap)} of that"
            lines.append(f"A person typed {typed:g} Hz, and that is used; {verdict}.")
    elif typed is not None:
        lines.append(f"A person typed {typed:g} Hz; nothing was measured to hold against it.")
    stretched = [
        f"{note_name(midi)} {flat_or_sharp(bend)}" for midi, bend in a4.stretch if midi % 12 == 9
    ]
    if stretched:
        lines.append(f"Octaves of the reference, against equal: {', '.join(stretched)}.")
    lines.append(f"Set the guide instrument to A = {a4.a4_hz:.1f} Hz.")
    return lines


def in_short(plan: Plan) -> list[str]:
    """Say the plan's few large numbers, one sentence each."""
    number, time = edits(plan)
    rules = len(biggest_rules(plan, len(plan.rows)))
    questions = len(asked(plan))
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
        lines.append(f"{count(questions, 'question')} only a person can answer.")
    if rest:
        lines.append(
            f"{count(rest, 'note')} not settled and left as recorded: nothing hangs on an answer, "
            "or too little."
        )
    if plan.sour_before_s is not None and plan.sour_after_s is not None:
        lines.append(
            f"Sour seconds: {plan.sour_before_s:.0f} as recorded, "
            f"{plan.sour_after_s:.0f} if every edit is made."
        )
    if relief_sentence(plan):
        lines.append(relief_sentence(plan))
    lines.append(coverage_sentence(plan))
    if plan.missing:
        lines.append(f"Left out, so nothing is said about: {', '.join(map(plain, plan.missing))}.")
    return lines


def coverage_sentence(plan: Plan) -> str:
    """Say how many of the notes found were measured, in number and in time."""
    found = coverage(plan)
    if found.share is None:
        return "No notes were found."
    by_time = "" if found.time_share is None else f", by time {percent(found.time_share)}"
    return (
        f"{found.measured} of {count(found.notes, 'note')} measured "
        f"({percent(found.share)}{by_time})."
    )


def group_row(group: Group) -> tuple[str, str, str, str]:
    """Give one group of notes as table cells: notes, why, rule, stems."""
    return (str(group.notes), group.reason, group.rule_name, ", ".join(group.stems))


def _relief(plan: Plan) -> list[str]:
    rows = relief_rows(plan)
    if not rows and not plan.named:
        return []
    about = (
        "Sour seconds are the time with a beating that can be heard or with a held note beyond its "
        "tolerance; the list of offenders is in the order in which its lines clear most of them."
    )
    lines = ["## What the minutes buy", "", about, ""]
    lines += table(RELIEF_HEAD, rows) if rows else ["No edit clears any of them."]
    if plan.named:
        told = "; ".join(
            f"{code} in {count(times, 'clash', 'clashes')} ({amount(lasts_s)} s)"
            for code, times, lasts_s in plan.named
        )
        lines += ["", f"Farther out than its partner, as recorded, where two parts beat: {told}."]
    return lines


def _stems(stems: tuple[StemSummary, ...]) -> list[str]:
    if not stems:
        return []
    head = (
        "stem", "role", "notes", "measured", "of the time", "sits", "spread (cents)",
        "start against sustain", "edits",
    )  # fmt: skip
    rows = [
        (
            s.code,
            s.role,
            str(s.notes),
            str(s.measured),
            "" if s.measured_time_share is None else percent(s.measured_time_share),
            ""
            if s.offset_cents is None
            else flat_or_sharp(s.offset_cents) + give_or_take(s.offset_uncertainty_cents),
            "" if s.spread_cents is None else amount(s.spread_cents),
            ""
            if s.onset_minus_sustain_cents is None
            else flat_or_sharp(s.onset_minus_sustain_cents).replace("in tune", "alike"),
            str(s.edits),
        )
        for s in stems
    ]
    suspected = [f"- {s.code}: {plain(words)}" for s in stems for words in s.suspicions]
    if suspected:
        suspected = ["", "What may lie behind it:", "", *suspected]
    return ["## Stem by stem", "", *table(head, rows), *suspected]


def _since(since: Since | None) -> list[str]:
    """Left out where nothing changed, so that a run without a change writes the same again."""
    if since is None or not anything(since):
        return []
    lines = [since_sentence(since)]
    for title, rows in (
        ("New", since.new),
        ("Gone", since.gone),
        ("Changed", since.changed),
        ("Another action", since.acted),
    ):
        if rows:
            lines += ["", f"{title}:", "", *(f"- {plain(row)}" for row in rows)]
    return ["## Changes", "", *lines]


def _keys(plan: Plan) -> list[str]:
    """Lay out the keys of the fixed instruments that stand out or beat, and the A's."""
    told = [
        k for k in plan.a4.keys if k.stands_out or strings_told(k) or k.midi % 12 == A4_MIDI % 12
    ]
    if not told:
        return []
    head = ("stem", "key", "notes", "off the smooth curve", "against the keys around it", "strings")
    rows = [
        (
            k.stem,
            note_name(k.midi, names_at(plan.keys, None)),
            str(k.notes),
            flat_or_sharp(k.mean_cents) + give_or_take(k.uncertainty_cents),
            flat_or_sharp(k.beside_cents) + (" (stands out)" if k.stands_out else ""),
            strings_words(k, plan.a4.a4_hz),
        )
        for k in told
    ]
    note = (
        f"The A's, and what stands out of {count(len(plan.a4.keys), 'key')} heard; "
        "a part with follow_keys is aimed at each key where it stands."
    )
    return ["## Keys of the reference", "", note, "", *table(head, rows)]


def _voicings(plan: Plan) -> list[str]:
    """List the held chords that only another voicing would help."""
    rows = [row for row in plan.rows if row.action == "chord-voicing"]
    if not rows:
        return []
    lines = [
        f"- {row.id}, {row.stem}, {place(row.start_bar, row.start_beat, row.start_s)}: "
        f"{plain(row.reason)}."
        for row in rows
    ]
    return ["## Chords to voice another way", "", *lines]


def _rules(plan: Plan) -> list[str]:
    rules = biggest_rules(plan, len(plan.rows))
    if not rules:
        return []
    lines = [
        f"- {row.id}, {row.stem}, {count(row.notes_covered, 'note')}: "
        f"{plain(row.in_words).rstrip('.')}; {plain(row.reason)}."
        for row in rules
    ]
    return ["## Rules, biggest first", "", *lines]


def _biases(biases: tuple[PitchBias, ...]) -> list[str]:
    if not biases:
        return []
    head = ("stem", "pitch", "MIDI", "notes", "sits", "on that side")
    rows = [
        (
            b.stem,
            b.name,
            str(b.midi),
            str(b.notes),
            flat_or_sharp(b.mean_cents) + give_or_take(b.uncertainty_cents),
            percent(b.same_side),
        )
        for b in biases
    ]
    return ["## Pitch by pitch", "", *table(head, rows)]


def _strings(plan: Plan) -> list[str]:
    lines: list[str] = []
    for grid in string_grids(plan):
        lines += ["", f"{grid.stem}: {grid.sentence}"]
        if grid.rows:
            lines += ["", *table(grid.head, grid.rows)]
    if not lines:
        return []
    note = "Notes in each place, and how they sit on the average; frets count from the nut."
    return ["## String by string", "", note, *lines]


def _suggestions(plan: Plan) -> list[str]:
    lines = suggestions(plan)
    if not lines:
        return []
    note = "For the producer to pass on, or not."
    return ["## Suggestions to the players", "", note, "", *(f"- {line}" for line in lines)]


def _left(plan: Plan) -> list[str]:
    groups = left_on_purpose(plan)
    head = ("notes", "why (most of them)", "rule", "stems")
    rows = [tuple(plain(cell) for cell in group_row(g)) for g in groups]
    lines = table(head, rows) if rows else ["No measured note was left alone."]
    aside = [s.code for s in plan.session.stems if s.role == "exclude"]
    if aside:
        lines += ["", f"Left by role, unheard: {', '.join(aside)}."]
    return ["## Left on purpose", "", *lines]


def _not_settled(plan: Plan) -> list[str]:
    groups = not_asked(plan)
    if not groups:
        return []
    about = (
        "Left as recorded, and nobody is asked: where no answer would change the plan (listen, and "
        "take another take if one is better), or where longer notes are asked about first. Each "
        "stands in the edit list as a question, and can be answered there."
    )
    head = ("notes", "why", "rule", "stems")
    rows = [tuple(plain(cell) for cell in group_row(g)) for g in groups]
    return ["## Not settled", "", about, "", *table(head, rows)]


def _unmeasured(plan: Plan) -> list[str]:
    lines = [coverage_sentence(plan)]
    groups = not_measured(plan)
    if groups:
        rows = [(str(g.notes), plain(g.reason), ", ".join(g.stems)) for g in groups]
        lines += ["", *table(("notes", "because", "stems"), rows)]
    return ["## Could not be measured", "", *lines]


_SEVERITY = {"stop": 0, "question": 1, "warning": 2, "note": 3}


def _findings(plan: Plan) -> list[str]:
    found = sorted((*plan.a4.findings, *plan.findings), key=lambda f: _SEVERITY[f.severity])
    # The same finding may come from the reference's search and from the file's inspection.
    return [f"- {_finding(f)}" for f in dict.fromkeys(found)] or ["Nothing out of the ordinary."]


def _finding(finding: Finding) -> str:
    where = finding_place(finding)
    said = " ".join(p for p in (finding.what, finding.did, finding.advice) if p)
    return f"{finding.severity}{f' ({plain(where)})' if where else ''}: {plain(said)}"


def _assumed(plan: Plan) -> list[str]:
    session = plan.session
    lines = [
        f"Temperament: {session.temperament_said}. Choose another in the session file if the music "
        "does not use it.",
        f"Judging: {session.judging}. Tolerances are defaults to be tuned by ear.",
    ]
    if plan.a4.found_from == "assumed":
        lines.append("No reference was found or typed: A = 440 Hz is assumed; please confirm.")
    if not session.tempo_marks and session.tempo_file is None:
        lines.append("No tempo map: places are given in seconds, bars and beats are left blank.")
    if not session.keys:
        lines.append("No key was given.")
    if session.octave_stretch is None:
        lines.append("How far parts follow the reference's octaves is decided by role.")
    if session.whole_song_offset_cents:
        lines.append(
            f"The whole song is taken to stand {flat_or_sharp(session.whole_song_offset_cents)}; "
            "that much is no one's error."
        )
    for spec in session.stems:
        for span in spec.do_not_touch:
            who = f" ({plain(span.who)})" if span.who else ""
            lines.append(
                f"Not to be touched in {spec.code}: {plain(span.why) or 'no reason'}{who}."
            )
    told = "; ".join(f"{code}: {plain(words)}" for code, words in session.consent)
    return [*lines, f"Consent: {told or 'not recorded'}."]
