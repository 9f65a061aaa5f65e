"""Rules that cover many notes, biggest first: part or its tunings, same pitches, short notes.

Each layer is found in what the layers before it leave, and must prove itself on notes that were
not used to find it. A layer for strings would take its place in `find_rules` before the pitches.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from planner.model import FIXED_ROLES, Floats, Role
from planner.pitch import note_name
from planner.plan_model import Action, Scope
from planner.span_scope import tuning_spans
from planner.targets import Aimed
from planner.tolerances import Judging, Tolerances
from planner.wording import amount, count, flat_or_sharp

# Roles whose part as a whole may be moved.
_PART_ROLES: frozenset[str] = frozenset(
    {
        "fretted", "fretted-chords", "bass-fretted", "bass-fretless", "bowed", "bowed-group",
        "woodwind", "brass", "lead-voice", "voice-double", "voice-harmony",
    }
)  # fmt: skip
# Frets, fingerings and valves put one pitch off everywhere. A voice has none of these: there the
# same leaning on the same note is habit or intent, and only counts beyond its tolerance.
_PITCH_ROLES: frozenset[str] = frozenset(
    {"fretted", "bass-fretted", "bass-fretless", "bowed", "woodwind", "brass"}
)
_VOICES: frozenset[str] = frozenset({"lead-voice", "voice-double", "voice-harmony"})
# A hard stroke sharpens the start of a plucked string; breath and bow do something else.
_SHORT_ROLES: frozenset[str] = frozenset({"fretted", "bass-fretted", "bass-fretless"})
_AT_SOURCE_ROLES: frozenset[str] = frozenset({"sampled", "drum-tones"})

# Chosen: notes of one player scatter by about this much, so a reading that is surer than that
# deserves no more weight.
_PLAYED_SPREAD_CENTS = 5.0
_GROSS_CENTS = 35.0  # further from the middle is another note, not this bias
_RUN_GAP_S = 4.0  # chosen: a longer rest ends a run of short notes
_LEAVE_UNDER_SHARE = 0.9  # what a short-notes rule leaves in stays under its own threshold
_MAD_TO_SD = 1.4826  # of a normal distribution
_MEDIAN_TO_MEAN = 1.2533  # standard error of a median against a mean's: sqrt(pi / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScopeRule:
    """One rule over many notes of a stem, before it has an id."""

    stem: str
    action: Action  # the edit, or "at-source" / "leave" where it is only an offer
    scope: Scope
    covers: tuple[str, ...]  # note ids, in play order
    bias_cents: float  # what the notes are off by
    add_cents: float  # what to add, rounded to 0.1
    uncertainty_cents: float  # standard error of the bias
    gain_share: float | None  # how much the mean error of held-out notes falls
    intended_midi: int | None = None
    judged_by: str = "sustain"  # or "onset"
    heard_cents: float | None = None  # what they are heard as, where that is not the bias
    name: str
    reason: str

    @property
    def applied(self) -> bool:
        """Whether the plan counts on it; an offer or advice leaves the notes where they are."""
        return self.action in ("whole-part", "tuning-span", "every-same-pitch", "short-notes")


def find_rules(
    aimed: tuple[Aimed, ...],
    role: Role,
    tolerances: Tolerances,
    judging: Judging,
    *,
    leave_alone: frozenset[str] = frozenset(),
    expression: frozenset[str] = frozenset(),
    edges_s: tuple[float, ...] = (),
) -> tuple[ScopeRule, ...]:
    """Find the rules of one stem, biggest first, each in what the ones before leave.

    Parameters
    ----------
    aimed : tuple of Aimed
        The notes of one stem in play order.
    leave_alone : frozenset
        Ids of notes that nobody may touch: neither used nor covered.
    expression : frozenset
        Ids of notes that are off on purpose: not used, but a whole part takes them along.
    edges_s : tuple of float
        Where takes are joined, s on the file's clock: natural places for another tuning.
    """
    notes = tuple(a for a in aimed if a.measured.id not in leave_alone)
    if role in FIXED_ROLES or role == "exclude" or not notes:
        return ()
    if role in _AT_SOURCE_ROLES:
        return _at_source_rules(notes, role, tolerances)
    rules: list[ScopeRule] = []
    everyone = notes
    notes = tuple(a for a in notes if a.measured.id not in expression)
    if role in _PART_ROLES and notes:
        spans = _span_rules(notes, everyone, role, tolerances, edges_s)
        # Where the tuning changes, one number for the whole part would lie.
        part = None if spans else _part_rule(notes, role, tolerances)
        rules += spans
        rules += [replace(part, covers=tuple(a.measured.id for a in everyone))] if part else []
    if role in _PITCH_ROLES or role in _VOICES:
        rules += _pitch_rules(_after(notes, rules), role, tolerances, judging)
    if role in _SHORT_ROLES:
        rules += _short_rules(_after(notes, rules), tolerances, judging)
    return tuple(rules)


def layers_of(rules: Mapping[str, ScopeRule]) -> dict[str, tuple[tuple[str, float], ...]]:
    """Give each covered note the rules that cover it: note id -> ((rule id, cents to add), ...)."""
    layers: dict[str, tuple[tuple[str, float], ...]] = {}
    for rule_id, rule in rules.items():
        if rule.applied:
            for note_id in rule.covers:
                layers[note_id] = (*layers.get(note_id, ()), (rule_id, rule.add_cents))
    return layers


def together(rules: tuple[ScopeRule, ...], more: tuple[ScopeRule, ...]) -> tuple[ScopeRule, ...]:
    """Add rules found once the single notes are mended; one over the same notes joins its like."""
    joined = list(rules)
    for rule in more:
        like = next(
            (
                k
                for k, r in enumerate(joined)
                if (r.scope, r.covers, r.action) == (rule.scope, rule.covers, rule.action)
            ),
            None,
        )
        if like is None:
            joined.append(replace(rule, reason=f"once its worst notes are mended, {rule.reason}"))
        else:
            add = round(joined[like].add_cents + rule.add_cents, 1)
            joined[like] = replace(joined[like], add_cents=add)
    return tuple(joined)


def moved(aimed: Aimed, add_cents: float) -> Aimed:
    """Say what a note's errors are once so many cents are added to it."""

    def after(error: float | None) -> float | None:
        return None if error is None else error + add_cents

    return replace(
        aimed,
        onset_cents=after(aimed.onset_cents),
        sustain_cents=after(aimed.sustain_cents),
        end_cents=after(aimed.end_cents),
        heard_cents=after(aimed.heard_cents),
    )


def _after(notes: tuple[Aimed, ...], rules: list[ScopeRule]) -> tuple[Aimed, ...]:
    layers = layers_of({str(k): rule for k, rule in enumerate(rules)})
    return tuple(moved(a, sum(c for _, c in layers.get(a.measured.id, ()))) for a in notes)


def _settled(notes: tuple[Aimed, ...], shortest_s: float) -> list[tuple[Aimed, float]]:
    """The notes long enough to be judged by their sustain; all that were heard if few are."""
    long = [
        (a, a.sustain_cents)
        for a in notes
        if a.sustain_cents is not None and a.measured.note.length_s >= shortest_s
    ]
    heard = [(a, a.heard_cents) for a in notes if a.heard_cents is not None]
    # Chosen: with less than a fifth of the notes sustained, the part is a staccato one.
    return long if len(long) >= 0.2 * len(heard) else heard


def _unsure(aimed: Aimed) -> float:
    u = aimed.measured.measurement.uncertainty_cents
    if u is None:
        u = aimed.measured.measurement.onset_uncertainty_cents
    # Chosen: a reading without an uncertainty counts as one of four times the played spread.
    return 4.0 * _PLAYED_SPREAD_CENTS if u is None else u


def _scatter(spread: float, notes: list[Aimed], *, onset: bool = False) -> float:
    """Scatter of single readings: as seen, but never less than they claim, nor than 1 cent."""
    claimed = [
        u
        for a in notes
        if (u := a.measured.measurement.onset_uncertainty_cents if onset else _unsure(a))
        is not None
    ]
    return max(spread, float(np.median(claimed)) if claimed else 0.0, 1.0)


def _shrunk(bias: float, error: float) -> float:
    """Shrink a bias toward zero by what it is worth: James and Stein's idea for one mean."""
    return bias * bias**2 / (bias**2 + error**2) if bias else 0.0


def _part_rule(notes: tuple[Aimed, ...], role: Role, tolerances: Tolerances) -> ScopeRule | None:
    limits = tolerances.part_rule
    fit = _without_odd_pitches(
        _settled(notes, tolerances.part_rule.sustained_from_s), tolerances.pitch_rule.notes
    )
    if len(fit) < limits.notes:
        return None
    error = np.array([e for _, e in fit])
    weight = 1.0 / (_PLAYED_SPREAD_CENTS**2 + np.array([_unsure(a) for a, _ in fit]) ** 2)
    bias = _weighted_median(error, weight)
    spread = _weighted_median(np.abs(error - bias), weight)
    worth = float(weight.sum() ** 2 / (weight**2).sum())  # how many equal notes it amounts to
    doubt = _MEDIAN_TO_MEAN * _scatter(_MAD_TO_SD * spread, [a for a, _ in fit]) / worth**0.5
    one_side = float((np.sign(error) == np.sign(bias)).mean())
    gain = _gain_of_halves(error, weight)
    if (
        round(abs(bias), 1) < limits.offset_cents
        or one_side < limits.one_side_share
        or round(spread, 1) > limits.spread_cents
        or abs(bias) < 2.0 * doubt
        or gain < limits.gain_share
    ):
        return None
    firm = round(abs(bias), 1) >= limits.lead_voice_offset_cents
    offer = role == "lead-voice" and not firm
    add = 0.0 if offer else round(-_shrunk(bias, doubt), 1)
    sits = f"the part sits {flat_or_sharp(bias)} as a whole"
    return ScopeRule(
        stem=notes[0].measured.note.stem,
        action="leave" if offer else "whole-part",
        scope="part",
        covers=tuple(a.measured.id for a in notes),
        bias_cents=bias,
        add_cents=add,
        uncertainty_cents=doubt,
        gain_share=gain,
        name="lead voice a little off as a whole" if offer else "whole part",
        reason=(
            f"{sits}, as many lead voices do; left, unless it sounds so to you"
            if offer
            else f"{sits}, {one_side:.0%} of its notes on that side: one move for all of it"
        ).replace("%", " %"),
    )


def _span_rules(
    notes: tuple[Aimed, ...],
    everyone: tuple[Aimed, ...],
    role: Role,
    tolerances: Tolerances,
    edges_s: tuple[float, ...],
) -> list[ScopeRule]:
    fit = _settled(notes, tolerances.part_rule.sustained_from_s)
    return [
        ScopeRule(
            stem=notes[0].measured.note.stem,
            action="tuning-span",
            scope="span",
            covers=span.covers,
            bias_cents=span.bias_cents,
            add_cents=round(-_shrunk(span.bias_cents, span.doubt_cents), 1),
            uncertainty_cents=span.doubt_cents,
            gain_share=None,
            name="between two tunings",
            reason=f"{span.said} the part sits {flat_or_sharp(span.bias_cents)}, elsewhere not: "
            f"one move for {count(len(span.covers), 'note')}",
        )
        for span in tuning_spans(fit, everyone, role, tolerances, edges_s)
    ]


def _without_odd_pitches(fit: list[tuple[Aimed, float]], few: int) -> list[tuple[Aimed, float]]:
    """Leave out pitches that stand apart from the rest: they must not pull the whole part."""
    if not fit:
        return fit
    middle = float(np.median([e for _, e in fit]))
    spread = float(np.median([abs(e - middle) for _, e in fit]))
    by_pitch: dict[int, list[float]] = {}
    for aimed, error in fit:
        by_pitch.setdefault(aimed.target.intended_midi, []).append(error)
    # Chosen: a pitch stands apart where its middle is 2 spreads and 4 cents away.
    odd = {
        midi
        for midi, errors in by_pitch.items()
        if len(errors) >= few and abs(float(np.median(errors)) - middle) > max(4.0, 2.0 * spread)
    }
    kept = [(a, e) for a, e in fit if a.target.intended_midi not in odd]
    return kept if len(kept) >= 0.6 * len(fit) else fit


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    half = reached[-1] / 2.0
    k = int(np.searchsorted(reached, half * (1 - 1e-12)))
    value = float(values[order][k])
    # Exactly half way: the middle of the two, so that neither side wins.
    if abs(reached[k] - half) <= 1e-9 * half and k + 1 < len(values):
        value = (value + float(values[order][k + 1])) / 2.0
    return value


def _gain_of_halves(error: Floats, weight: Floats) -> float:
    """How much the mean error of each half falls when moved by what the other half says."""
    before = after = 0.0
    for fit, held in (
        (slice(0, None, 2), slice(1, None, 2)),
        (slice(1, None, 2), slice(0, None, 2)),
    ):
        bias = _weighted_median(error[fit], weight[fit])
        before += float(np.abs(error[held]).sum())
        after += float(np.abs(error[held] - bias).sum())
    return 1.0 - after / before if before > 0 else 0.0


def _pitch_rules(
    notes: tuple[Aimed, ...], role: Role, tolerances: Tolerances, judging: Judging
) -> list[ScopeRule]:
    limits = tolerances.pitch_rule
    least = limits.offset_cents
    if role in _VOICES:
        least = max(least, dict(tolerances.base_cents)[role] * judging.tolerance_factor)
    by_pitch: dict[int, list[tuple[Aimed, float]]] = {}
    for aimed, error in _settled(notes, tolerances.part_rule.sustained_from_s):
        by_pitch.setdefault(aimed.target.intended_midi, []).append((aimed, error))
    rules = []
    for midi in sorted(by_pitch):
        middle = float(np.median([e for _, e in by_pitch[midi]]))
        fit = [(a, e) for a, e in by_pitch[midi] if abs(e - middle) <= _GROSS_CENTS]
        errors = np.array([e for _, e in fit])
        if len(errors) < limits.notes:
            continue
        bias = float(errors.mean())
        doubt = _scatter(float(errors.std(ddof=1)), [a for a, _ in fit]) / len(errors) ** 0.5
        one_side = float((np.sign(errors) == np.sign(bias)).mean())
        gain = _gain_of_each(errors)
        if (
            round(abs(bias), 1) < least
            or one_side < limits.one_side_share
            or round(doubt, 1) > limits.uncertainty_cents
            or gain < limits.gain_share
        ):
            continue
        covers = tuple(a.measured.id for a in notes if a.target.intended_midi == midi)
        rules.append(
            ScopeRule(
                stem=notes[0].measured.note.stem,
                action="every-same-pitch",
                scope="pitch",
                covers=covers,
                bias_cents=bias,
                add_cents=round(-_shrunk(bias, doubt), 1),
                uncertainty_cents=doubt,
                gain_share=gain,
                intended_midi=midi,
                name="every same pitch",
                reason=f"every {note_name(midi)} is {flat_or_sharp(bias)}, wherever it comes: "
                f"one move for {count(len(covers), 'note')}",
            )
        )
    return rules


def _gain_of_each(errors: Floats) -> float:
    """How much the mean error falls when each note is moved by what the others say."""
    n = len(errors)
    others = (errors.sum() - errors) / (n - 1)
    before = float(np.abs(errors).mean())
    return 1.0 - float(np.abs(errors - others).mean()) / before if before > 0 else 0.0


def _short_rules(
    notes: tuple[Aimed, ...], tolerances: Tolerances, judging: Judging
) -> list[ScopeRule]:
    limits = tolerances.short_rule
    sustains = [
        a.sustain_cents
        for a in notes
        if a.sustain_cents is not None and a.measured.note.length_s >= limits.shorter_than_s
    ]
    if sustains and round(abs(float(np.median(sustains))), 1) >= tolerances.part_rule.offset_cents:
        return []  # the part itself is off: then the run is no matter of its short notes
    rules = []
    for run in _runs_of_short_notes(notes, limits.shorter_than_s):
        errors = np.array([a.onset_cents for a in run if a.onset_cents is not None])
        if len(errors) < limits.notes:
            continue
        middle = float(np.median(errors))
        near = errors[np.abs(errors - middle) <= _GROSS_CENTS]
        bias = float(near.mean())
        spread = _MAD_TO_SD * float(np.median(np.abs(errors - middle)))
        doubt = _scatter(spread, run, onset=True) / len(near) ** 0.5
        if round(abs(middle), 1) < limits.onset_cents or round(doubt, 1) > limits.uncertainty_cents:
            continue
        # A note with a sustain is heard by both, so it is moved by less than its onset is off.
        heard = np.array([a.heard_cents for a in run if a.heard_cents is not None])
        off = float(np.median(heard))
        if round(abs(off), 1) < limits.onset_cents / 2 or np.sign(off) != np.sign(bias):
            continue
        left = max(judging.leave_in * abs(off), tolerances.limits.smallest_left_cents)
        left = min(left, _LEAVE_UNDER_SHARE * limits.onset_cents)
        worth = abs(_shrunk(off, doubt)) - left
        if worth < tolerances.limits.smallest_gain_cents:
            continue
        rules.append(
            ScopeRule(
                stem=run[0].measured.note.stem,
                action="short-notes",
                scope="passage",
                covers=tuple(a.measured.id for a in run),
                bias_cents=bias,
                add_cents=round(-float(np.sign(off)) * worth, 1),
                uncertainty_cents=doubt,
                gain_share=None,
                judged_by="onset",
                heard_cents=off,
                name="short notes off at the onset",
                reason=f"{count(len(run), 'short note')} in a run, {flat_or_sharp(bias)} at the "
                f"onset and heard {flat_or_sharp(off)}; held notes are fine; "
                f"{amount(left)} left in",
            )
        )
    return rules


def _runs_of_short_notes(notes: tuple[Aimed, ...], shorter_than_s: float) -> list[list[Aimed]]:
    runs: list[list[Aimed]] = [[]]
    for aimed in notes:
        note = aimed.measured.note
        if note.length_s >= shorter_than_s:
            runs.append([])
            continue
        if runs[-1] and note.start_s - runs[-1][-1].measured.note.end_s > _RUN_GAP_S:
            runs.append([])
        runs[-1].append(aimed)
    return [run for run in runs if run]


def _at_source_rules(
    notes: tuple[Aimed, ...], role: Role, tolerances: Tolerances
) -> tuple[ScopeRule, ...]:
    """Advice for parts with a tuning control: the whole of a sampled part, each drum by itself."""
    groups: list[tuple[Aimed, ...]] = [notes]
    if role == "drum-tones":
        pitches = sorted({a.target.intended_midi for a in notes})
        groups = [tuple(a for a in notes if a.target.intended_midi == m) for m in pitches]
    least = dict(tolerances.base_cents)[role]
    rules = []
    for group in groups:
        errors = np.array([a.heard_cents for a in group if a.heard_cents is not None])
        if len(errors) < tolerances.pitch_rule.notes:
            continue
        bias = float(np.median(errors))
        spread = _MAD_TO_SD * float(np.median(np.abs(errors - bias)))
        doubt = _MEDIAN_TO_MEAN * _scatter(spread, list(group)) / len(errors) ** 0.5
        if round(abs(bias), 1) < least or abs(bias) < 2.0 * doubt:
            continue
        midi = group[0].target.intended_midi if role == "drum-tones" else None
        what = "the part" if midi is None else f"the drum on {note_name(midi)}"
        rules.append(
            ScopeRule(
                stem=group[0].measured.note.stem,
                action="at-source",
                scope="part" if midi is None else "pitch",
                covers=tuple(a.measured.id for a in group),
                bias_cents=bias,
                add_cents=0.0,
                uncertainty_cents=doubt,
                gain_share=None,
                intended_midi=midi,
                name="put right at source",
                reason=f"{what} is {flat_or_sharp(bias)}: retune it where it was made, "
                "and print it again",
            )
        )
    return tuple(rules)
