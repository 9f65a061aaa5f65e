"""Where single edits lie so thick that something else costs less: another take, or no double.

Nothing is decided by it: the edits stay in the list, and the advice stands beside them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from planner.model import StemNotes
from planner.plan.planrows import advised
from planner.plan.row_places import StemOnClock, place_of
from planner.rules import IN_TOLERANCE
from planner.words.plan_model import EDIT_ACTIONS, Action, Judged, Row
from planner.words.session_model import StemSpec
from planner.words.wording import count, percent

_RETAKE_SHARE = 0.3  # common practice, no source
_RETAKE_NOTES = 12  # chosen: fewer edits are quicker made than a take sung
_BARS = 4
_MOST_IN_BARS = 12  # common practice, no source: more edits in four bars are a take
_BARS_S = 8.0  # without bars: four of them at 120 beats a minute
# Chosen: a double whose notes mostly ask for an edit thickens nothing, and half a dozen edits
# take longer than muting it.
_DOUBLE_NOTES = 6
_DOUBLE_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """Notes of a part from one that asks for an edit to another that does."""

    measured: tuple[Judged, ...]  # all of it, in play order
    edits: tuple[Judged, ...]


def asks_for_an_edit(j: Judged) -> bool:
    """Whether a note is at fault itself; what is moved for the others' sake is not."""
    return j.action in EDIT_ACTIONS and j.rule_name != IN_TOLERANCE


def is_flagged(j: Judged) -> bool:
    """Whether a note asks for an edit or for a person's answer."""
    return asks_for_an_edit(j) or j.action in ("ask", "wrong-note")


def thick_passages(
    judged: Sequence[Judged], on: StemOnClock, most: int, share: float
) -> list[Passage]:
    """Find the passages of four bars and more with too many edits in every four bars.

    judged : a part's notes in play order
    most : more edits than this in four bars (without bars: in 8 s) are too many
    share : and more than this share of the notes measured there
    """
    notes = [j for j in judged if j.heard_cents is not None]
    at = [_when(j, on) for j in notes]
    width = float(_BARS) if on.tempo_map is not None else _BARS_S
    thick: list[tuple[int, int]] = []  # first and last note of each
    for k, j in enumerate(notes):
        if not asks_for_an_edit(j):
            continue
        inside = [m for m in range(k, len(notes)) if at[m] < at[k] + width]
        edits = [m for m in inside if asks_for_an_edit(notes[m])]
        if len(edits) <= most or len(edits) <= share * (edits[-1] - k + 1):
            continue
        if thick and k <= thick[-1][1]:
            thick[-1] = (thick[-1][0], max(thick[-1][1], edits[-1]))
        else:
            thick.append((k, edits[-1]))
    return [_passage(notes[first : last + 1]) for first, last in thick]


def _when(j: Judged, on: StemOnClock) -> float:
    """The bar in which a note begins, or without bars its start in s."""
    start_s = j.measured.note.start_s
    bar = on.played_at(start_s)[0]
    return start_s if bar is None else float(bar)


def _passage(notes: Sequence[Judged]) -> Passage:
    return Passage(measured=tuple(notes), edits=tuple(j for j in notes if asks_for_an_edit(j)))


def take_rows(judged: Sequence[Judged], on: StemOnClock, stems: Iterable[StemNotes]) -> list[Row]:
    """Advise what costs less than the edits of one part.

    judged : the part's notes in play order
    stems : every stem: a double is left out only where what it doubles sounds
    """
    whole = retake_row(judged, on.spec)
    rows = [] if whole is None else [whole]
    if on.stem.role == "voice-double":
        leads = _doubled(on.spec, stems)
        passages = thick_passages(judged, on, _DOUBLE_NOTES - 1, _DOUBLE_SHARE)
        thin = [p for p in passages if leads and _heard(p, leads)]
        return rows + [_mute_row(p, on, leads) for p in thin]
    if whole is not None:
        return rows
    return [_passage_row(p, on) for p in thick_passages(judged, on, _MOST_IN_BARS, 0.0)]


def retake_row(judged: Sequence[Judged], spec: StemSpec) -> Row | None:
    """Advise another take where too much of a part asks for edits or answers."""
    measured = [j for j in judged if j.heard_cents is not None]
    flagged = [j for j in measured if is_flagged(j)]
    if len(flagged) < _RETAKE_NOTES or len(flagged) <= _RETAKE_SHARE * len(measured):
        return None
    share = percent(len(flagged) / len(measured))
    asked = " or an answer" if any(not asks_for_an_edit(j) for j in flagged) else ""
    return advised(
        spec,
        tuple(j.measured.id for j in flagged),
        scope="part",
        action="retake",
        rule_name="more edits than a take",
        reason=f"{share} of the measured notes ask for an edit of their own{asked}: "
        "if the player is still there, another take is better and quicker",
    )


def _passage_row(passage: Passage, on: StemOnClock) -> Row:
    rest = len(passage.measured) - len(passage.edits)
    return _row(
        passage,
        on,
        action="retake",
        rule_name="more edits than a passage",
        reason=f"{count(len(passage.edits), 'note')} within a few bars ask for an edit of their "
        f"own, {rest} beside them for none: if the player is still there, these bars once more "
        "are better and quicker",
    )


def _mute_row(passage: Passage, on: StemOnClock, leads: Sequence[StemNotes]) -> Row:
    codes = " and ".join(stem.code for stem in leads)
    rest = len(passage.measured) - len(passage.edits)
    return _row(
        passage,
        on,
        action="mute-part",
        rule_name="a double that is mostly edits",
        reason=f"{len(passage.edits)} of {count(len(passage.measured), 'note')} here ask for an "
        f"edit of their own, {rest} {'does' if rest == 1 else 'do'} not: {codes} can be heard "
        "without this double, so leave it out in these bars, or sing them again",
    )


def _row(passage: Passage, on: StemOnClock, *, action: Action, rule_name: str, reason: str) -> Row:
    first, last = passage.measured[0].measured.note, passage.measured[-1].measured.note
    return advised(
        on.spec,
        tuple(j.measured.id for j in passage.edits),
        scope="passage",
        **place_of(first, last, on),
        action=action,
        rule_name=rule_name,
        reason=reason,
    )


def _doubled(spec: StemSpec, stems: Iterable[StemNotes]) -> list[StemNotes]:
    """What a double is sung with: as the session names it, else the lead voices."""
    return [
        stem
        for stem in stems
        if (stem.code == spec.sung_with if spec.sung_with else stem.role == "lead-voice")
    ]


def _heard(passage: Passage, leads: Sequence[StemNotes]) -> bool:
    """Whether most notes of a passage have one of the lead's beside them."""
    sung = [n.note for stem in leads for n in stem.notes]
    beside = [
        any(one.start_s < j.measured.note.end_s and one.end_s > j.measured.note.start_s
            for one in sung)
        for j in passage.measured
    ]  # fmt: skip
    return sum(beside) > len(beside) / 2
