"""How cents, places and amounts are said in sentences; the sign rule in words.

A sentence never carries a bare sign: a note is "4.3 flat", an edit says "lower by 16, give or
take 2". Numbers carry one decimal below 10 cents and none above, as they deserve no more.
"""

import math
import re
from collections.abc import Iterable

from planner.model import Finding
from planner.timeline import EARLY_BEATS
from planner.words.plan_model import Row

# Nearer to a note, what leaks in may be what was read. Common practice, no source.
BLEED_DOUBT_DB = -12.0

SIGN_RULE = (
    "error = measured - target, so plus is sharp and minus is flat; "
    "add_cents is what to add to the note, so plus raises it and minus lowers it"
)

# The terms of an offender's rank, as a reader would say them.
_TERM_WORDS = {
    "over": "how far out of tune it sounds",
    "clash": "rubbing against another part",
    "exposure": "how exposed it is",
    "place": "where in the phrase it sits",
    "length": "how long it lasts",
    "repeats": "how often it comes back",
    "confidence": "as the reading is unsure",
    "covered": "as its rule mends most of it",
}


def amount(value: float) -> str:
    """Say a size without its sign: one decimal below 10, none from 10 on."""
    size = abs(value)
    text = f"{size:.1f}" if round(size, 1) < 10 else f"{size:.0f}"
    return text.removesuffix(".0")


def flat_or_sharp(cents: float | None) -> str:
    """Say an error in cents: ``4.3 flat``, ``12 sharp``, ``in tune``, or nothing for None."""
    if cents is None:
        return ""
    if round(cents, 1) == 0:
        return "in tune"
    return f"{amount(cents)} {'sharp' if cents > 0 else 'flat'}"


def raise_or_lower(add_cents: float, uncertainty_cents: float | None = None) -> str:
    """Say an edit in cents: ``lower by 16, give or take 2``."""
    if round(add_cents, 1) == 0:
        return "leave where it is"
    said = f"{'raise' if add_cents > 0 else 'lower'} by {amount(add_cents)}"
    return f"{said}{give_or_take(uncertainty_cents)}"


def give_or_take(uncertainty_cents: float | None) -> str:
    """Say an uncertainty as the end of a sentence: ``, give or take 2``; nothing for None."""
    if uncertainty_cents is None:
        return ""
    if round(uncertainty_cents, 1) == 0:
        return ", give or take less than 0.1"
    return f", give or take {amount(uncertainty_cents)}"


def place(bar: int | None, beat: float | None, start_s: float | None) -> str:
    """Say where something is: ``bar 33 beat 3.00 (84.78 s)``; seconds alone without a map.

    beat: as `timeline.TempoMap.played_at` counts it.
    """
    clock = "" if start_s is None else f"{start_s:.2f} s"
    if bar is None:
        return f"at {clock}" if clock else "throughout"
    where = f"bar {bar}" if beat is None else f"bar {bar} {_on_beat(beat)}"
    return f"{where} ({clock})" if clock else where


def row_place(row: Row) -> str:
    """Say where a row of the edit list lies; what comes again and again has no one place."""
    if row.scope in ("part", "pitch", "string"):
        return "throughout"
    return place(row.start_bar, row.start_beat, row.start_s)


def _on_beat(beat: float) -> str:
    """Nobody counts 'beat 4.98': a start a hair before a beat is that beat, a little early."""
    ahead = math.ceil(round(beat, 2))
    early = 0.0 < round(ahead - beat, 2) <= EARLY_BEATS
    return f"beat {ahead}, a little early" if early else f"beat {beat:.2f}"


def sung_word(word: str) -> str:
    """Say what is sung on a note: ``the word 'home'``, or a line of which it is some word."""
    return f"a word of '{word}'" if " " in word else f"the word '{word}'"


def count(number: int, one: str, many: str | None = None) -> str:
    """Say a number of things: ``1 note``, ``12 notes``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def minutes(value: float) -> str:
    """Say a time of work: ``half a minute``, ``about 19 minutes``."""
    if value <= 0:
        return "no time"
    whole = whole_minutes(value)
    return f"about {count(whole, 'minute')}" if whole else "half a minute"


def whole_minutes(value: float) -> int:
    """Round a time of work to whole minutes, halves up; 0 stands for half a minute.

    One rule for sentences and tables, so that a total and the last line of a list agree.
    """
    value = round(value, 1)
    return 0 if value < 0.75 else math.floor(value + 0.5)


def percent(share: float) -> str:
    """Say a share between 0 and 1 as a whole percentage; only everything is 100 %."""
    whole = round(100 * share)
    if share < 1 and whole == 100:
        whole = 99
    if share > 0 and whole == 0:
        whole = 1
    return f"{whole} %"


def term(name: str) -> str:
    """Say the name of one term of an offender's rank in words."""
    return _TERM_WORDS.get(name, name.replace("_", " "))


def terms(pairs: tuple[tuple[str, float], ...]) -> str:
    """Say what made an offender's rank, the largest term first, zero terms left out.

    The terms add up to the rank; what takes some of it away is said as "less".
    """
    told = sorted((p for p in pairs if round(p[1], 1) != 0), key=lambda p: -abs(p[1]))
    return ", ".join(
        f"{term(name)} {value:.1f}" if value > 0 else f"less {-value:.1f} {term(name)}"
        for name, value in told
    )


def bleed_doubt(bleed_db: float | None, bleed_from: str) -> str:
    """Say as the end of a sentence that a reading may be another stem's, where it is near."""
    if bleed_db is None or bleed_db <= BLEED_DOUBT_DB:
        return ""
    under = f"{bleed_from} is {abs(bleed_db):.0f} dB under this note"
    return f"; {under}: the reading may be that of {bleed_from}"


def listed(names: Iterable[str]) -> str:
    """Name one thing or more in a sentence: "LV", "LV and BV", "LV, BV and CEL"."""
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def ghosts(heard_in: tuple[tuple[str, float], ...]) -> str:
    """Say as the end of a sentence where else a note is heard: a fix does not reach it there."""
    if not heard_in:
        return ""
    stems = listed([stem for stem, _ in heard_in])
    most = " at most" if len(heard_in) > 1 else ""
    loudest_db = max(db for _, db in heard_in)
    return f"; also heard in {stems} at {loudest_db:.0f} dB{most}: a fix leaves a ghost there"


def rule_names(layers: tuple[tuple[str, float], ...]) -> str:
    """Name the rules that cover a note, largest first: "R-001 and R-003"."""
    return " and ".join(rule for rule, _ in layers)


def finding_place(finding: Finding) -> str:
    """Say where something was found, as far as its sentence does not begin by saying so."""
    named = [part for part in (finding.stem, finding.file) if part]
    said = [
        part for part in named if not re.search(rf"(?<!\w){re.escape(part)}(?!\w)", finding.what)
    ]
    where = ", ".join(said)
    if finding.at_s is not None:
        where += f"{' ' if where else ''}at {finding.at_s:.2f} s"
    return where
