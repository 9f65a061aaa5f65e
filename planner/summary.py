"""The plan in words: the session tuning summary and the producer's list, both as Markdown."""

from __future__ import annotations

import re
from collections.abc import Sequence

from planner.model import FIXED_ROLES, Finding
from planner.pitch import STANDARD_A4_HZ, cents, note_name
from planner.plan_model import Offender, Plan, StemSummary
from planner.tally import (
    PITCH_NOTES_MIN,
    Group,
    PitchBias,
    biggest_rules,
    coverage,
    edits,
    left_on_purpose,
    not_measured,
    pitch_biases,
)
from planner.wording import (
    SIGN_RULE,
    amount,
    count,
    flat_or_sharp,
    give_or_take,
    minutes,
    percent,
    place,
    terms,
)

VOICE_ROLES = frozenset({"lead-voice", "voice-double", "voice-harmony"})

AGREES_CENTS = 3.0  # common practice, no source: a larger gap to the typed A4 is said aloud
OFFSET_TOLD_CENTS = 4.0  # common practice, no source: the least steady offset worth a retune
START_TOLD_CENTS = 8.0  # common practice, no source: starts this far off are heard on short notes
TOGETHER = 0.8  # of the offset: notes spread wider do not sit anywhere as a whole; chosen
SPREAD_TOLD_CENTS = 20.0  # common practice, no source: beyond it another take costs less
PITCH_TOLD_CENTS = 6.0  # common practice, no source: the least steady error of one pitch told
PITCH_SAME_SIDE = 0.8  # common practice, no source

CAUTIONS = (
    "Hearing: start low. Plain tones sound louder than their meter reading; check once quiet and "
    "once at the level people will listen at, and take breaks. At 85 dBA eight hours fill a "
    "working day's allowance, at 94 dBA one hour, at 100 dBA 15 minutes (NIOSH, publication "
    "98-126, 1998).",
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
        _stems(plan.stems),
        _rules(plan),
        _biases(pitch_biases(plan)),
        _suggestions(plan),
        _left(plan),
        _unmeasured(plan),
        ["## What was found on the way", "", *_findings(plan)],
        ["## What was assumed", "", *(f"- {line}" for line in _assumed(plan))],
        ["## Before you listen and edit", "", *(f"- {line}" for line in CAUTIONS)],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def offenders_markdown(plan: Plan) -> str:
    """Write the ranked list of offenders in words; the stop line is its last line."""
    lines = [
        f"# Worst first: {plain(plan.session.song)}",
        "",
        f"Sign rule: {SIGN_RULE}.",
        "",
        *(f"- {plain(line)}" for line in reference_sentences(plan)[:1]),
        "",
    ]
    for o in plan.offenders:
        if o.above_stop_line:
            lines += [f"{o.rank}. {_offender(o)}"]
    return "\n".join([*lines, "", stop_line(plan)]) + "\n"


def stop_line(plan: Plan) -> str:
    """Say what the lines above take, and what going on would buy."""
    if not plan.offenders:
        return "Stop line: nothing needs doing."
    above = [o for o in plan.offenders if o.above_stop_line]
    below = [o for o in plan.offenders if not o.above_stop_line]
    spent = minutes(above[-1].minutes_so_far) if above else "no time"
    verb = "takes" if len(above) == 1 else "take"
    done = f"Stop line: the {count(len(above), 'line')} above {verb} {spent}"
    if not below:
        return f"{done}; there is nothing below."
    total = sum(o.severity for o in plan.offenders)
    share = sum(o.severity for o in below) / total if total > 0 else 0.0
    more = "the next line buys" if len(below) == 1 else f"the next {len(below)} lines buy"
    return f"{done}; {more} {percent(share)} more."


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
    rules = sum(1 for row in plan.rows if row.kind == "rule")
    asked = sum(1 for row in plan.rows if row.kind == "question")
    lines = [
        f"{count(number, 'edit')} proposed, {minutes(time)} by hand; "
        f"{rules} of them {'is a rule' if rules == 1 else 'are rules'} that "
        f"cover{'s' if rules == 1 else ''} many notes at once."
    ]
    if asked:
        lines.append(f"{count(asked, 'question')} only a person can answer.")
    if plan.sour_before_s is not None and plan.sour_after_s is not None:
        lines.append(
            f"Sour seconds: {plan.sour_before_s:.0f} as recorded, "
            f"{plan.sour_after_s:.0f} if every edit is made."
        )
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


def suggestions(plan: Plan) -> list[str]:
    """Word what the players could try next time, kindly, about notes and not about people."""
    lines: list[str] = []
    told: dict[str, float] = {}
    for stem in plan.stems:
        if stem.role in FIXED_ROLES or stem.measured < PITCH_NOTES_MIN:
            continue
        offset, spread = stem.offset_cents, stem.spread_cents
        start = stem.onset_minus_sustain_cents
        sharp_starts = start is not None and abs(round(start, 1)) >= START_TOLD_CENTS
        # "Throughout" is said of notes that lie together and do not owe it to their beginnings.
        together = not sharp_starts and (spread or 0.0) <= TOGETHER * abs(offset or 0.0)
        if offset is not None and together and abs(round(offset, 1)) >= OFFSET_TOLD_CENTS:
            told[stem.code] = offset
            if stem.role in VOICE_ROLES:
                way = "a clearer reference in the headphones, and less of everything, may help"
            else:
                way = f"tuning to A = {plan.a4.a4_hz:.1f} Hz before the next take would settle it"
            lines.append(
                f"{stem.code}: the notes sit {flat_or_sharp(offset)} of the reference "
                f"throughout; {way}."
            )
        if start is not None and sharp_starts:
            lines.append(
                f"{stem.code}: notes begin {flat_or_sharp(start)} of where they settle; where "
                "short notes matter, tuning by their beginnings may suit the part better."
            )
        if spread is not None and round(spread, 1) > SPREAD_TOLD_CENTS:
            lines.append(
                f"{stem.code}: the notes lie {amount(spread)} cents to either side of their "
                "middle; if there is time, another take may cost less than the edits."
            )
    for bias in pitch_biases(plan):
        own = abs(round(bias.mean_cents - told.get(bias.stem, 0.0), 1))  # beyond the whole part's
        if own >= PITCH_TOLD_CENTS and bias.same_side >= PITCH_SAME_SIDE:
            lines.append(
                f"{bias.stem}: {bias.name} comes out {flat_or_sharp(bias.mean_cents)} in "
                f"{count(bias.notes, 'place')}; worth a look at the instrument or a word about "
                "that one pitch."
            )
    return lines


def plain(text: str) -> str:
    """Keep a text of the session on one line and free of Markdown and HTML."""
    one_line = " ".join(text.split())
    return re.sub(r"([\\|`*\[\]])", r"\\\1", one_line).replace("&", "&amp;").replace("<", "&lt;")


def table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Lay out a Markdown table."""
    lines = [head, ("---",) * len(head), *rows]
    return ["| " + " | ".join(cells) + " |" for cells in lines]


def group_row(group: Group) -> tuple[str, str, str, str]:
    """Give one group of notes as table cells: notes, why, rule, stems."""
    return (str(group.notes), group.reason, group.rule_name, ", ".join(group.stems))


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


def _rules(plan: Plan) -> list[str]:
    rules = biggest_rules(plan, len(plan.rows))
    if not rules:
        return []
    lines = [
        f"- {row.id}, {row.stem}, {count(row.notes_covered, 'note')}: "
        f"{plain(row.in_words).rstrip('.')}. {plain(row.reason)}"
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
    where = ", ".join(part for part in (finding.stem, finding.file) if part)
    if finding.at_s is not None:
        where += f"{' ' if where else ''}at {finding.at_s:.2f} s"
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


def _offender(o: Offender) -> str:
    times = count(o.times, "time") if o.times > 1 else ""
    why = terms(o.terms)
    # A rule over many pitches names none.
    parts = (o.stem, place(o.start_bar, o.start_beat, o.start_s), plain(o.intended), times)
    where = ", ".join(part for part in parts if part)
    return (
        f"**{plain(o.headline)}** {where} "
        f"({plain(o.row_id)}). Fix: {plain(o.fix).rstrip('.')}. "
        f"Rank {o.severity:.0f} of 100{f': {why}' if why else ''}. "
        f"Up to here: {minutes(o.minutes_so_far)}."
    )
