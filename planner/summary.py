"""The plan in words: the session tuning summary, as Markdown."""

from planner.answer.changes import anything, since_sentence
from planner.model import Finding
from planner.timeline import TempoMap
from planner.words.plan_model import Plan, Since
from planner.words.wording import SIGN_RULE, count, finding_place, flat_or_sharp, row_place
from planner.write.in_short import CAUTIONS, in_short, reference_sentences
from planner.write.loudness_pitch import level_lines
from planner.write.markdown import plain
from planner.write.suggestions import suggestions
from planner.write.summary_tables import (
    along_table,
    keys_table,
    left_table,
    minutes_table,
    pitches_table,
    stems_table,
    strings_tables,
    unmeasured_table,
    unsettled_table,
)
from planner.write.tally import advice, biggest_rules, pitch_biases


def summary_markdown(plan: Plan, tempo_map: TempoMap | None = None) -> str:
    """Write the session tuning summary: what was found, planned, left, and assumed."""
    parts = [
        [f"# Tuning summary: {plain(plan.session.song)}", "", f"Sign rule: {SIGN_RULE}."],
        ["## The reference", "", *(f"- {plain(line)}" for line in reference_sentences(plan))],
        ["## In short", "", *(f"- {line}" for line in in_short(plan))],
        minutes_table(plan),
        _since(plan.since),
        keys_table(plan),
        stems_table(plan),
        along_table(plan, tempo_map),
        _rules(plan),
        pitches_table(pitch_biases(plan)),
        _advice(plan),
        strings_tables(plan),
        _suggestions(plan),
        left_table(plan),
        unsettled_table(plan),
        unmeasured_table(plan),
        ["## What was found on the way", "", *_findings(plan)],
        ["## What was assumed", "", *(f"- {line}" for line in _assumed(plan))],
        [
            "## Before you listen and edit",
            "",
            *(f"- {line}" for line in (*CAUTIONS, *level_lines(plan))),
        ],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


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


def _advice(plan: Plan) -> list[str]:
    """List what would help and is no edit: another take, voicing or setting, and offers."""
    lines = [
        f"- {row.id}, {row.stem}, {row_place(row)}: {plain(row.reason)}." for row in advice(plan)
    ]
    return ["## Advice, which is no edit", "", *lines] if lines else []


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


def _suggestions(plan: Plan) -> list[str]:
    lines = suggestions(plan)
    if not lines:
        return []
    note = "For the producer to pass on, or not."
    return ["## Suggestions to the players", "", note, "", *(f"- {line}" for line in lines)]


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
