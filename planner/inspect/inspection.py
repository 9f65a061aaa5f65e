"""Goes over what is known of the stems and says what looks wrong, in words a person can act on.

Nothing here changes a position, a pitch or a file: it asks, and says what was done meanwhile.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from planner.model import DC_DBFS, SILENT_DBFS, AudioFacts, Finding
from planner.pitch import cents
from planner.words.session_model import Session, StemSpec
from planner.words.wording import amount, count

_PULL = 0.001  # of a file's length: 1001 for 1000 pictures of colour television (SMPTE ST 12-1)
_SAME_LENGTH_S = 0.001  # chosen: exports from one point agree to the sample
SHORTER_S = 1.0  # chosen: ends are trimmed by less, a part that starts late is off by a bar


# ---------------------------------------------------------------- from facts


def inspect_facts(
    session: Session, facts: Sequence[tuple[StemSpec, AudioFacts]]
) -> tuple[Finding, ...]:
    """Say what the facts of the files show: each file by itself, then against the others."""
    found: list[Finding] = []
    for spec, fact in facts:
        found += inspect_file(spec, fact)
    found += _rates(session, facts)
    found += _lengths(session, facts)
    found += _pulled(facts)
    found += _time_stamps(facts)
    found += _same_audio(facts)
    return tuple(found)


def inspect_file(spec: StemSpec, fact: AudioFacts) -> Iterator[Finding]:
    """Say what the facts of one file show."""

    def finding(what: str, **more: str) -> Finding:
        severity = more.pop("severity", "warning")
        return Finding(severity=severity, what=what, stem=spec.code, file=fact.file, **more)  # type: ignore[arg-type]

    if spec.sha256 is not None and spec.sha256.lower() != fact.sha256.lower():
        yield finding(
            f"{spec.code} is not the file that earlier plans were made for: its contents changed.",
            severity="question",
            did="Measured as it is now.",
            advice="If the new file is meant, take the new checksum into the session file.",
        )
    if fact.peak_dbfs < SILENT_DBFS and spec.role != "exclude":
        yield finding(
            f"{spec.code} has nothing above {SILENT_DBFS:.0f} dBFS.",
            did="Skipped.",
            advice="Check that the right track was exported and not muted.",
        )
        return
    yield from _stereo(spec, fact)
    if fact.peak_dbfs > 0.005 and fact.subtype in ("FLOAT", "DOUBLE"):
        yield finding(
            f"{spec.code} peaks at {fact.peak_dbfs:.1f} dB over full scale, in floating point.",
            severity="note",
            did="Fine and kept: nothing is lost.",
            advice="Turn it down before writing it as 16 or 24 bit.",
        )
    if fact.flat_tops:
        yield finding(
            f"{spec.code} has flat tops in {count(fact.flat_tops, 'place')}: the recording was cut "
            "off at its peak.",
            did="Measured as it is: onsets there are less sure.",
            advice="Ask whether a cleaner recording exists.",
        )
    if fact.dc_db > DC_DBFS:
        yield finding(
            f"{spec.code} has a constant offset (DC) of {fact.dc_db:.0f} dBFS.",
            severity="note",
            did="Ignored for pitch.",
            advice="Tell the mixer.",
        )


def _stereo(spec: StemSpec, fact: AudioFacts) -> Iterator[Finding]:
    used = {"left": "the left side", "right": "the right side", "mid": "the middle"}
    side = used.get(fact.measured_side, "the one side")
    both = "Any edit moves both sides together."
    told = {
        "left-only": "the right side is silent",
        "right-only": "the left side is silent",
        "dual-mono": "both sides are identical (dual mono)",
        "opposite-polarity": "the sides are of opposite polarity: together they cancel",
    }.get(fact.stereo)
    if told:
        turned = fact.stereo == "opposite-polarity"
        yield Finding(
            severity="note" if fact.stereo == "dual-mono" else "warning",
            what=f"{spec.code}: {told}.",
            did=f"Measured {side} only.",
            advice=f"{'Check the polarity before the mix. ' if turned else ''}{both}",
            stem=spec.code,
            file=fact.file,
        )


def _rates(session: Session, facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    if not facts:
        return
    counts = Counter(fact.sr for _, fact in facts)
    # The session file decides; else the most frequent rate, the higher of two as frequent.
    home = session.rate or max(counts, key=lambda sr: (counts[sr], sr))
    for spec, fact in facts:
        if fact.sr == home:
            continue
        off = cents(home, fact.sr)
        yield Finding(
            severity="warning",
            what=f"{spec.code} is {_khz(fact.sr)}, the session {_khz(home)}.",
            did="Its times and samples use its own rate.",
            advice=f"Convert it before editing. If it was played at {_khz(home)} unconverted, "
            f"it sounded {amount(off)} cents {'high' if off > 0 else 'low'}.",
            stem=spec.code,
            file=fact.file,
        )


def _lengths(session: Session, facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    # Where a stem's start is written down, its length need not agree.
    compared = [
        (s, f)
        for s, f in facts
        if s.start_smp is None and s.late_by_ms == 0 and s.role != "exclude"
    ]
    if len(compared) < 2:
        return
    longest = max(fact.length_s for _, fact in compared)
    short = [(s, f) for s, f in compared if longest - f.length_s > SHORTER_S]
    if len(short) > len(compared) / 2:
        yield Finding(
            severity="question",
            what=f"the stems differ in length by up to "
            f"{longest - min(f.length_s for _, f in short):.1f} s.",
            did="Each was taken to start where the others start.",
            advice="If they were not all exported from one point, export them again from zero.",
        )
        return
    for spec, fact in short:
        missing_s = longest - fact.length_s
        yield Finding(
            severity="question",
            what=f"{spec.code} is {missing_s:.3f} s{_in_bars(session, missing_s)} shorter than the "
            "longest stem.",
            did="Taken to start where the others start.",
            advice="If it starts later, export it again from zero, or write its start_sample.",
            stem=spec.code,
            file=fact.file,
        )


def _pulled(facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    """Ask about a file longer or shorter than all others, of one length, by 0.1 % of it.

    Its pitch tells nothing: 1.7 cents are less than what anyone plays.
    """
    for spec, fact in facts:
        others = [f.length_s for s, f in facts if s is not spec and s.role != "exclude"]
        if spec.role == "exclude" or len(others) < 2 or max(others) - min(others) > _SAME_LENGTH_S:
            continue
        over_s = fact.length_s - others[0]
        if abs(abs(over_s) - _PULL * others[0]) > _SAME_LENGTH_S:
            continue
        longer, runs, late = (
            ("longer", "slow, 1.7 cents flat", "late")
            if over_s > 0.0
            else ("shorter", "fast, 1.7 cents sharp", "early")
        )
        yield Finding(
            severity="question",
            what=f"{spec.code} is {abs(over_s):.3f} s {longer} than all others, which are of one "
            f"length: 0.1 %, as a file that runs {runs}.",
            did="Measured as it is: a move of the whole part has those 1.7 cents in it.",
            advice=f"Listen whether it is {abs(over_s):.2f} s {late} at the end. If so, export it "
            "again at the session's rate; else trim it.",
            stem=spec.code,
            file=fact.file,
        )


def _in_bars(session: Session, seconds: float) -> str:
    """Say a length in bars where it is a whole number of them and the tempo never changes."""
    if len(session.tempo_marks) != 1:
        return ""
    mark = session.tempo_marks[0]
    bars = seconds / (mark.meter[0] * 4 / mark.meter[1] * 60 / mark.bpm)
    whole = round(bars)
    if whole < 1 or abs(bars - whole) > 0.02:
        return ""
    return f" ({count(whole, 'bar')})"


def _time_stamps(facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    stamped = [
        (spec, fact, fact.time_reference_smp / fact.sr)
        for spec, fact in facts
        if fact.time_reference_smp is not None and spec.start_smp is None
    ]
    if len(stamped) < 2:
        return
    counts = Counter(round(at_s, 3) for _, _, at_s in stamped)
    # The most frequent stamp, the earliest of several as frequent.
    home = min(counts, key=lambda at_s: (-counts[at_s], at_s))
    for spec, fact, at_s in stamped:
        if abs(at_s - home) < 0.001:
            continue
        yield Finding(
            severity="question",
            what=f"the time stamp places {spec.code} at {_day_clock(at_s)}, "
            f"others at {_day_clock(home)}.",
            did="Not applied: taken to start where the others start.",
            advice=f"If the stamp is right, it starts {abs(at_s - home):.3f} s "
            f"{'later' if at_s > home else 'earlier'}: export it again from zero, or write its "
            "start_sample.",
            stem=spec.code,
            file=fact.file,
        )


def _same_audio(facts: Sequence[tuple[StemSpec, AudioFacts]]) -> Iterator[Finding]:
    groups: dict[str, list[str]] = defaultdict(list)
    for spec, fact in facts:
        if spec.code not in groups[fact.sha256]:
            groups[fact.sha256].append(spec.code)
    for codes in groups.values():
        if len(codes) > 1:
            yield Finding(
                severity="question",
                what=f"{' and '.join(codes)} are identical: copied by mistake?",
                did="Each was measured as a part of its own.",
                advice="Put the right file in place, or take one out of the session file.",
                stem=codes[1],
            )


# ---------------------------------------------------------------- words


def _khz(sr: int) -> str:
    return f"{sr / 1000:g} kHz"


def _day_clock(at_s: float) -> str:
    thousandths = round(at_s * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{rest // 1000:02d}.{rest % 1000:03d}"
