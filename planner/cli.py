"""The command line: arguments, messages and exit codes; the only room that prints.

Exit codes: 0 done; 1 done, with questions a person must answer; 2 bad session, file or argument, no
plan written; 3 a promise broke (an input changed, or a list does not read back equal); 130 or 143
stopped by Ctrl-C or SIGTERM, no plan written.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import math
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from planner import __version__
from planner.errors import PlannerError

if TYPE_CHECKING:
    from planner.model import Finding
    from planner.run import Planned

    _Commands = argparse._SubParsersAction[argparse.ArgumentParser]

# 2 and 3 are the exit codes that the errors themselves carry.
DONE, QUESTIONS, BAD_INPUT, PROMISE_BROKE = 0, 1, 2, 3
READER_GONE = 141  # as shells count a closed pipe: 128 and the signal's number


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code, never raises for bad input."""
    # One thread per process for linear algebra: stems run side by side already, and sums are
    # then added in the same order whatever the machine.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    arguments = _parser().parse_args(argv)
    with contextlib.suppress(ValueError):  # not in the main thread: whoever started it decides
        signal.signal(signal.SIGTERM, _end)
    try:
        code = int(arguments.command(arguments))
        sys.stdout.flush()  # a reader that has gone is noticed here, not as the interpreter ends
        return code
    except PlannerError as error:
        print(f"planner: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt as stopped:
        print("planner: stopped; no plan was written.", file=sys.stderr)
        return 128 + (stopped.args[0] if stopped.args else signal.SIGINT)
    except BrokenPipeError:
        # Whoever read along (head, a pager) has seen enough; the words come after the work.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE


def _end(number: int, _: object) -> None:
    """Stop as by Ctrl-C, with all processes of this run."""
    raise KeyboardInterrupt(number)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="planner",
        description="Find the notes of a session that are worth a pitch fix, and write edit lists "
        "and a guide MIDI. Audio is only ever read.",
        epilog="Exit codes: 0 done, 1 done with questions to answer, 2 bad session, file or "
        "argument (no plan written), 3 a promise broke, 130 or 143 stopped (no plan written).",
    )
    parser.add_argument("--version", action="version", version=f"planner {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for add in (_add_start, _add_inspect, _add_plan, _add_answer, _add_check, _add_demo):
        add(commands)
    return parser


def _add_start(commands: _Commands) -> None:
    start = commands.add_parser("start", help="write a session file for a folder of stems")
    start.add_argument("folder", type=Path, metavar="FOLDER", help="the folder of the stems")
    out = "the file to write (default: session.yaml beside FOLDER)"
    start.add_argument("--out", type=Path, metavar="FILE", help=out)
    start.set_defaults(command=_start)


def _add_inspect(commands: _Commands) -> None:
    inspect = commands.add_parser("inspect", help="go over the files and say what is wrong")
    _session_argument(inspect)
    _without_argument(inspect)
    inspect.set_defaults(command=_inspect)


def _add_plan(commands: _Commands) -> None:
    plan = commands.add_parser("plan", help="plan the session and write the edit lists")
    _session_argument(plan)
    out = "where the numbered folder goes (default: beside the session file)"
    plan.add_argument("--out", type=Path, metavar="DIR", help=out)
    _without_argument(plan)
    keep_going = "leave out stems that cannot be read"
    plan.add_argument("--keep-going", action="store_true", help=keep_going)
    _jobs_argument(plan)
    plan.add_argument(
        "--csv-bom", action=argparse.BooleanOptionalAction, default=True,
        help="open the CSV files with a byte order mark, for spreadsheets (default: yes)",
    )  # fmt: skip
    plan.add_argument(
        "--csv-dialect", choices=("comma", "semicolon"), default="comma",
        help="separator of the CSV files",
    )  # fmt: skip
    silent = "keep excerpts of the recordings out of review.html"
    plan.add_argument("--silent-page", action="store_true", help=silent)
    anew = "listen to every stem, use nothing of measured_notes and keep nothing there"
    plan.add_argument("--measure-anew", action="store_true", help=anew)
    _quiet_argument(plan)
    plan.set_defaults(command=_plan)


def _add_answer(commands: _Commands) -> None:
    answer = commands.add_parser(
        "answer",
        help="read a reply to a plan in",
        description="Read a reply to a plan in and store it beside the plans. A reply is the "
        'review page\'s exported file, words such as "12 yes 14 no love that scoop, 20 ask her" '
        "(lines of the offenders list or row ids, then yes, no, ask, half or note, then free "
        "words), or an edit_list.csv whose columns state, by, comment and locked were filled in. "
        "Nothing is stored unless all of it is understood.",
    )
    _session_argument(answer)
    answer.add_argument("reply", metavar="REPLY", help="a file, or the reply itself in quotes")
    answer.add_argument("--by", default="", metavar="NAME", help="who says it")
    date = "when it was said (default: today)"
    answer.add_argument("--date", type=_a_date, metavar="YYYY-MM-DD", help=date)
    which = "the plan it speaks of (default: the latest)"
    answer.add_argument("--plan", metavar="plan_NN", help=which)
    answer.add_argument("--out", type=Path, metavar="DIR", help="where the plans are, as for plan")
    partly = "store what is understood, leave the rest"
    answer.add_argument("--accept-partly", action="store_true", help=partly)
    answer.set_defaults(command=_answer)


def _add_check(commands: _Commands) -> None:
    check = commands.add_parser(
        "check",
        help="compare corrected bounces with the plan",
        description="Measure the corrected files anew and say which rows of the plan were done, "
        "which were not, and what moved besides. Everything is only read. Exit codes: 0 all as "
        "planned, 1 not all, 2 bad session, file or argument, 3 an original has changed.",
    )
    _session_argument(check)
    bounces = "the folder of the corrected files: the stems' names, with or without a suffix"
    check.add_argument("--bounces", type=Path, required=True, metavar="DIR", help=bounces)
    check.add_argument("--plan", metavar="plan_NN", help="the plan (default: the latest)")
    out = "where the plans are, as for `planner plan`"
    check.add_argument("--out", type=Path, metavar="DIR", help=out)
    _jobs_argument(check)
    _quiet_argument(check)
    check.set_defaults(command=_check)


def _add_demo(commands: _Commands) -> None:
    demo = commands.add_parser("demo", help="build an invented session and plan it")
    demo.add_argument(
        "folder", type=Path, nargs="?", default=Path("demo_session"), metavar="DIR",
        help="a new or empty folder (default: demo_session)",
    )  # fmt: skip
    demo.set_defaults(command=_demo)


def _session_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("session", type=Path, metavar="SESSION", help="the session file (YAML)")


def _without_argument(parser: argparse.ArgumentParser) -> None:
    without = "leave a stem out (may be repeated)"
    parser.add_argument("--without", action="append", default=[], metavar="CODE", help=without)


def _jobs_argument(parser: argparse.ArgumentParser) -> None:
    jobs = "processes (default: one per core)"
    parser.add_argument("--jobs", type=_at_least_one, metavar="N", help=jobs)


def _quiet_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--quiet", action="store_true", help="no progress lines")


def _at_least_one(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes; give 1 or more")
    return number


def _a_date(text: str) -> str:
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date; write 2026-11-25") from None


def _progress(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _start(arguments: argparse.Namespace) -> int:
    from planner.edges.starting import start_session

    path, guesses = start_session(arguments.folder, out=arguments.out, progress=_progress)
    for guess in guesses:
        print(f"  {guess.file}: {guess.role or 'left out until you say'} ({guess.because})")
    print(f"Written: {path}")
    print("Every guess is marked '# guess': go over them, then: planner inspect " + str(path))
    return DONE


def _inspect(arguments: argparse.Namespace) -> int:
    from planner.run import inspect_session

    found = inspect_session(arguments.session, without=arguments.without, progress=_progress)
    session = found.session
    print(f"{session.song}: {len(found.facts)} of {len(session.stems)} stems read")
    for code, one in found.facts:
        kind = "" if one.stereo == "mono" else f", {one.stereo}"
        peak = "silent" if math.isinf(one.peak_dbfs) else f"peak {one.peak_dbfs:+.1f} dBFS"
        print(
            f"  {code}: {one.file}, {one.sr} Hz, {one.subtype}, {one.length_s:.2f} s{kind}, {peak}"
        )
    _print_findings(found.findings)
    if not found.findings:
        print("Nothing wrong found.")
    severities = {finding.severity for finding in found.findings}
    if "stop" in severities:
        return BAD_INPUT  # a plan would stop there
    return QUESTIONS if "question" in severities else DONE


def _print_findings(findings: Sequence[Finding]) -> None:
    from planner.words.wording import finding_place

    for finding in findings:
        where = finding_place(finding)
        text = " ".join(part for part in (finding.what, finding.did, finding.advice) if part)
        weight = "error" if finding.severity == "stop" else finding.severity
        print(": ".join(part for part in (weight, where, text) if part))


def _plan(arguments: argparse.Namespace) -> int:
    from planner.edges.writing import Form
    from planner.run import plan_session
    from planner.write.asking import asked, asked_of_the_session

    planned = plan_session(
        arguments.session,
        out=arguments.out,
        without=arguments.without,
        keep_going=arguments.keep_going,
        jobs=arguments.jobs,
        form=Form(
            csv_bom=arguments.csv_bom,
            csv_delimiter=";" if arguments.csv_dialect == "semicolon" else ",",
            page_sound=not arguments.silent_page,
        ),
        measure_anew=arguments.measure_anew,
        progress=(lambda line: None) if arguments.quiet else _progress,
    )
    for line in _outcome(planned):
        print(line)
    return QUESTIONS if asked(planned.plan) or asked_of_the_session(planned.plan) else DONE


def _check(arguments: argparse.Namespace) -> int:
    from planner.compare.check_words import in_short
    from planner.edges.checking import check_session

    checked = check_session(
        arguments.session,
        arguments.bounces,
        out=arguments.out,
        plan=arguments.plan,
        jobs=arguments.jobs,
        progress=(lambda line: None) if arguments.quiet else _progress,
    )
    for line in in_short(checked.check):
        print(line)
    print(f"Written: {checked.folder} (check.md, check.csv, check.yaml)")
    if checked.check.changed_originals:
        return PROMISE_BROKE
    return DONE if checked.check.passed else QUESTIONS


def _outcome(planned: Planned) -> list[str]:
    """Say in about ten lines what was found and where the files are."""
    from planner.answer.changes import gone_sentence, since_sentence
    from planner.words.wording import row_place
    from planner.write.in_short import in_short, reference_in_short
    from planner.write.tally import biggest_rules

    plan = planned.plan
    rules = [
        f"{row.stem}, {row.notes_covered} notes: {row.in_words}; {row.reason}."
        for row in biggest_rules(plan, 4)
    ]
    rows = {row.id: row for row in plan.rows}
    worst = [
        f"{one.stem}, {row_place(rows[one.row_id])}: {one.headline}." for one in plan.offenders[:2]
    ]
    files = (
        "edit_list.csv, offenders.md, review.html, guide.mid, summary.md, hand_off.md, notes.csv, "
        "run.yaml"
    )
    return [
        *reference_in_short(plan),
        *rules,
        *(["Most relief first: " + " ".join(worst)] if worst else []),
        *in_short(plan),
        *([since_sentence(plan.since)] if plan.since else []),
        *([gone] if plan.since and (gone := gone_sentence(plan.since)) else []),
        f"Written: {planned.folder} ({files})",
    ]


def _answer(arguments: argparse.Namespace) -> int:
    from planner.edges.answering import answer_session

    # The only clock: who reads an answer later wants to know when it was given.
    today = datetime.date.today().isoformat()
    done = answer_session(
        arguments.session,
        arguments.reply,
        out=arguments.out,
        plan=arguments.plan,
        by=arguments.by,
        date=arguments.date or today,
        accept_partly=arguments.accept_partly,
    )
    print(f"{done.plan}, as understood:")
    for line in done.told or ("nothing",):
        print(f"  {line}")
    if done.unclear:
        print("Not understood:")
        for line in done.unclear:
            print(f"  {line}")
    if done.stored:
        print(f"Stored: {done.stored} in {done.path}. It counts from the next plan on.")
        return QUESTIONS if done.unclear else DONE
    if not done.unclear:
        print("Nothing to store: it says nothing new.")
        return DONE
    print("Nothing was stored. Say it again, or add --accept-partly to store what is understood.")
    return BAD_INPUT


def _demo(arguments: argparse.Namespace) -> int:
    from planner.demo.build import build_demo
    from planner.run import plan_session

    _progress("building an invented session")
    session = build_demo(arguments.folder)
    planned = plan_session(session, progress=_progress)
    for line in _outcome(planned):
        print(line)
    return DONE
