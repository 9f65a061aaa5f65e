from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from deciding import A4, PLAIN, line, note, part_ground, session, stem

from planner.files.configs import read_judging
from planner.model import MeasuredNote, Role
from planner.scope.scope_rule import ScopeRule, bias_of, gain_of_each, shrunk_cents
from planner.scopes import find_rules, layers_of
from planner.targets import aim, part_offset_cents, target_for

RNG_SEED = 11


def rules_of(
    notes: list[MeasuredNote], role: Role, judging: str = "plain-band", **fields: Any
) -> tuple[ScopeRule, ...]:
    where = session(stem("X", role, notes))
    offset = part_offset_cents(tuple(notes), role, where, A4)
    aimed = tuple(aim(n, target_for(n, role, where, A4, offset)) for n in notes)
    return find_rules(aimed, part_ground(role, judging=read_judging(judging), **fields))


def errors(n: int, bias: float, spread: float) -> list[float]:
    """``n`` errors as many and as far on one side of ``bias`` as on the other: their middle."""
    away = np.random.default_rng(RNG_SEED).normal(0, spread, n // 2)
    around = np.concatenate([np.stack([away, -away], axis=1).ravel(), np.zeros(n % 2)])
    return [float(e) for e in around + bias]


def scale(n: int) -> list[int]:
    return [52 + (5 * k) % 12 for k in range(n)]


@pytest.mark.parametrize("role", ["fretted", "fretted-chords", "bass-fretted", "voice-harmony"])
def test_part_seven_cents_high_is_one_rule(role: Role) -> None:
    """A part that is 7 cents high as a whole is one row that lowers all of it by 7."""
    (rule,) = rules_of(line("X", scale(100), errors(100, 7, 4)), role)
    assert (rule.action, rule.scope, len(rule.covers)) == ("whole-part", "part", 100)
    assert rule.add_cents == pytest.approx(-7.0, abs=0.3)


def test_the_part_that_a4_was_found_in_is_no_whole_part_off() -> None:
    """Judged by itself it is where it is; a stretch of it retuned is another matter."""
    off = errors(24, 4.5, 2.0)
    assert [r.scope for r in rules_of(line("X", scale(24), off), "bowed")] == ["part"]
    assert rules_of(line("X", scale(24), off), "bowed", sets_a4=True) == ()
    retuned = line("X", scale(48), [*errors(24, 0.0, 2.0), *errors(24, 9.0, 2.0)])
    assert [r.scope for r in rules_of(retuned, "fretted", sets_a4=True)] == ["span"]


def test_edge_of_the_part_offset() -> None:
    """A part 3.5 cents off is a rule (440 against 441 is 3.9), one 3.4 off is none."""
    assert len(rules_of(line("X", scale(60), errors(60, 3.5, 1)), "fretted")) == 1
    assert rules_of(line("X", scale(60), errors(60, 3.4, 1)), "fretted") == ()


def test_edge_of_the_notes_for_a_part() -> None:
    """Eight notes can make a whole-part rule, seven cannot."""
    assert len(rules_of(line("X", scale(8), [9.0] * 8), "fretted")) == 1
    assert rules_of(line("X", scale(7), [9.0] * 7), "fretted") == ()


def staccato(held: float, short: float, role: Role) -> tuple[ScopeRule, ...]:
    """Ten held notes that scatter by 8, and thirty short ones, each with a sustain."""
    notes = line("X", scale(10), errors(10, held, 8), length_s=0.6)
    notes += [
        note(f"X-{100 + k}", 60 + k % 7, e, start_s=20 + 0.3 * k, length_s=0.22)
        for k, e in enumerate(errors(30, short, 8))
    ]
    return rules_of(notes, role)


def test_short_notes_of_struck_strings_say_how_these_are_tuned() -> None:
    """Held notes 4.5 sharp, but unsure by 3 or so; thirty short ones 7 sharp: one move for all."""
    (rule,) = (r for r in staccato(4.5, 7.0, "fretted") if r.scope == "part")
    assert (rule.action, len(rule.covers)) == ("whole-part", 40)
    assert rule.add_cents == pytest.approx(-6.5, abs=1.0)


@pytest.mark.parametrize(("held", "short"), [(3.4, 7.0), (-4.5, 7.0), (0.0, 9.0)])
def test_short_notes_alone_move_no_part(held: float, short: float) -> None:
    """Of what is blown, short notes are on their way still: what is held decides."""
    assert staccato(held, short, "brass") == ()


def test_scattered_part_is_no_rule() -> None:
    """Notes that scatter by more than 10 cents around their middle make no whole-part rule."""
    spread = [12.0 + (11.0 if (k + k // 12) % 2 else -11.0) for k in range(60)]
    assert rules_of(line("X", scale(60), spread), "bowed") == ()


def test_gross_notes_do_not_pull_the_part() -> None:
    """A tenth of the notes 30 cents off leaves the offset of the part where it was."""
    played = errors(50, -6, 2)
    played[::10] = [30.0] * 5
    (rule,) = rules_of(line("X", scale(50), played), "bowed")
    assert rule.bias_cents == pytest.approx(-6, abs=1)


@pytest.mark.parametrize(("n", "gross"), [(12, 0.0), (30, 0.0), (30, 0.04), (60, 0.04)])
def test_a_bias_is_as_unsure_as_it_says(n: int, gross: float) -> None:
    """Of 300 parts that scatter by 8, one note in 25 gross or none, its error is what is told."""
    rng = np.random.default_rng(RNG_SEED)
    where = session(stem("X", "bowed", []))
    a = aim(note("X-0001", 60, 0.0), target_for(note("X-0001", 60, 0.0), "bowed", where, A4))
    off, told = [], []
    for _ in range(300):
        played = rng.normal(0.0, 8.0, n)
        mishap = rng.random(n) < gross
        played[mishap] = rng.choice([-1.0, 1.0], mishap.sum()) * rng.uniform(28, 42, mishap.sum())
        found = bias_of([(a, float(e)) for e in played])
        off.append(found.cents)
        told.append(found.doubt_cents)
    assert np.sqrt(np.mean(np.square(off)) / np.mean(np.square(told))) == pytest.approx(1, abs=0.1)


@pytest.mark.parametrize(("off_cents", "found"), [(5.1, 1), (5.0, 0)])
def test_edge_of_what_a_part_gains(off_cents: float, found: int) -> None:
    """Twelve notes evenly 10 to either side of 5.1: moved by what others say they gain a tenth.

    Each lies 12/11 of its way from the middle, 5.95 in the mean, instead of 6.65; 5 off: 6.6. Known
    to 2, neither is three standard errors off.
    """
    played = [round(off_cents + 20 * (k * 5 % 12) / 11 - 10, 2) for k in range(12)]
    assert len(rules_of(line("X", scale(12), played), "fretted-chords")) == found


@pytest.mark.parametrize(("n", "found"), [(60, 1), (25, 0)])
def test_what_is_no_chance_makes_a_row(n: int, found: int) -> None:
    """Notes that scatter by 8 around 4: 69 % on its side. Of 60 it is known to 1, of 25 to 1.6."""
    normal = NormalDist(4.0, 8.0)
    played = [normal.inv_cdf((7 * k % n + 0.5) / n) for k in range(n)]
    assert sum(e > 0 for e in played) < 0.7 * n
    rules = rules_of(line("X", scale(n), played), "bowed")
    assert len(rules) == found
    assert all(rule.scope == "part" for rule in rules)


@pytest.mark.parametrize("errors", [[], [30.0]])
def test_one_note_gains_nothing(errors: list[float]) -> None:
    """There are no others that say how it is moved."""
    assert gain_of_each(np.array(errors)) == 0.0


def struck(rest: float, over: float) -> list[MeasuredNote]:
    """Sixty notes whose strings rest so many cents off, and that are heard further over."""
    return [
        note(f"X-{k:04d}", m, e, heard=e + over, start_s=0.9 * k, length_s=0.8)
        for k, (m, e) in enumerate(zip(scale(60), errors(60, rest, 7.0), strict=True))
    ]


@pytest.mark.parametrize(
    ("rest", "over", "found"),
    [(3.0, 5.0, 1), (2.9, 5.0, 0), (3.0, 0.0, 0), (-3.0, 8.0, 0), (-3.0, -5.0, 1)],
)
def test_a_struck_part_heard_off_is_moved_by_where_it_rests(
    rest: float, over: float, found: int
) -> None:
    """Strings 3 off that are heard 8 off are moved by 3; what is heard alone moves no part."""
    rules = rules_of(struck(rest, over), "fretted")
    assert [rule.scope for rule in rules] == ["part"] * found
    for rule in rules:
        assert rule.add_cents == pytest.approx(-rest, abs=0.4)
        assert rule.heard_cents == pytest.approx(rest + over, abs=0.1)
        assert "3 sharp as a whole and is heard 8 sharp" in rule.reason or rest < 0


def test_a_rest_that_chance_may_make_moves_no_struck_part() -> None:
    """The middle of sixty notes is known to 0.9, of thirty to 1.3: 3 off is three of it, or two."""
    assert len(rules_of(struck(3.0, 5.0), "fretted")) == 1
    assert rules_of(struck(3.0, 5.0)[:30], "fretted") == ()


def test_only_struck_notes_are_heard_off_beside_their_rest() -> None:
    """What is bowed is heard as it is held: 3 off on a scatter of 8 proves nothing."""
    assert rules_of(struck(3.0, 5.0), "bowed") == ()


def test_thin_evidence_shrinks_a_rule() -> None:
    """James and Stein, for one mean: 4 give or take 2 is 4 x 16 / 20; what is sure stays."""
    assert shrunk_cents(4.0, 2.0) == pytest.approx(3.2)
    assert shrunk_cents(-4.0, 2.0) == pytest.approx(-3.2)
    assert shrunk_cents(10.0, 0.0) == 10.0
    assert shrunk_cents(0.0, 1.0) == 0.0


def test_one_sharp_pitch_does_not_pull_the_part() -> None:
    """A quarter of the notes on one sharp pitch is a rule of its own above the part's."""
    midis = [61 if k % 4 == 0 else 52 + k % 7 for k in range(80)]
    played = [
        -4.3 + (9.0 if m == 61 else 0.0) + e for m, e in zip(midis, errors(80, 0, 1.5), strict=True)
    ]
    part, pitch = rules_of(line("X", midis, played), "fretted")
    assert part.add_cents == pytest.approx(4.3, abs=0.6)
    assert (pitch.action, pitch.intended_midi, len(pitch.covers)) == ("every-same-pitch", 61, 20)
    assert pitch.add_cents == pytest.approx(-9.0, abs=1.2)


@pytest.mark.parametrize(("off", "meant", "rules"), [(-7, 2, 1), (-7, 3, 0), (12, 3, 1)])
def test_a_pitch_off_in_one_place_and_not_in_another_is_no_pitch(
    off: float, meant: int, rules: int
) -> None:
    """Eight C#4 are 12 sharp: of all that are sung, those off on purpose too, four in five."""
    notes = line(
        "X", [60, 62, 64, 65] * 5 + [61] * (8 + meant), [0.0] * 20 + [12.0] * 8 + [off] * meant
    )
    on_purpose = frozenset(n.id for n in notes[28:])
    found = rules_of(notes, "lead-voice", expression=on_purpose)
    assert [r.covers for r in found] == [tuple(n.id for n in notes[20:28])] * rules


def test_two_sure_notes_do_not_move_the_pitch_of_others() -> None:
    """Two known to 1 lie 32 sharp, six known to 8 and 15 anywhere: those would come out worse."""
    doubts = [1.0, 1.0, 8.0, 8.0, 15.0, 15.0, 15.0, 15.0]
    rest = line("X", [64] * 20, [0.0] * 20, length_s=1.0)

    def of(off: list[float], lengths_s: list[float]) -> list[ScopeRule]:
        notes = [
            note(f"X-{100 + k}", 58, cents, start_s=40.0 + k, length_s=length_s, uncertainty=doubt)
            for k, (cents, doubt, length_s) in enumerate(zip(off, doubts, lengths_s, strict=True))
        ]
        found = rules_of(rest + notes, "voice-harmony")
        return [rule for rule in found if rule.intended_midi == 58]

    assert len(of([32.0] * 8, [0.5] * 8)) == 1
    assert of([32.0, 32.0, 32.0, 30.0, -15.0, -15.0, -15.0, 4.0], [0.5] * 4 + [0.2] * 4) == []


@pytest.mark.parametrize(("off", "known", "rules"), [(34.9, 0, 1), (35.2, 0, 0), (35.2, 8, 1)])
def test_a_pitch_that_may_be_the_next_note_is_no_rule(off: float, known: int, rules: int) -> None:
    """Beyond 35 cents a person says which was meant, unless the song leaves no doubt."""
    notes = line("X", [60, 62, 65, 67] * 6 + [64] * 8, [0.0] * 24 + [off] * 8)
    ids = frozenset(n.id for n in notes[-known:]) if known else frozenset()
    found = rules_of(notes, "brass", known=ids)
    assert [rule.intended_midi for rule in found] == [64] * rules


@pytest.mark.parametrize("odd", [(61,), (61, 62, 63)])
def test_what_most_pitches_share_is_the_part_however_often_an_odd_one_comes(
    odd: tuple[int, ...],
) -> None:
    """One or three of nine pitches 9 flat, in three of five notes: of 20 parts 19 keep their place.

    They scatter by 3.5. Each odd pitch must have its row, and the whole of the part none.
    """
    rng = np.random.default_rng(RNG_SEED)
    sound = [m for m in range(55, 64) if m not in odd]
    midis = [odd[k // 5 % len(odd)] if k % 5 < 3 else sound[k % len(sound)] for k in range(60)]
    right = 0
    for _ in range(20):
        played = [rng.normal(-9.0 if m in odd else 0.0, 3.5) for m in midis]
        found = rules_of(line("X", midis, played), "bowed")
        right += {(r.scope, r.intended_midi) for r in found} == {("pitch", m) for m in odd}
    assert right >= 19


@pytest.mark.parametrize(("odd", "found"), [(18, 1), (19, 0)])
def test_an_odd_pitch_goes_along_with_the_part(odd: int, found: int) -> None:
    """Of 60 notes 42 lie 6 sharp and one pitch 3 flat: 70 % on one side is a part, 41 none."""
    midis = [61 if (k + 1) * odd // 60 > k * odd // 60 else 52 + k % 7 for k in range(60)]
    notes = line("X", midis, [-3.0 if m == 61 else 6.0 for m in midis])
    assert len([r for r in rules_of(notes, "bowed") if r.scope == "part"]) == found


def test_where_most_pitches_stand_apart_all_speak_for_the_part() -> None:
    """Five pitches at five places, two of which agree: nobody can say which are the odd ones."""
    midis = [52 + k % 5 for k in range(60)]
    at = {52: 10.0, 53: 10.0, 54: 18.0, 55: 2.0, 56: 26.0}
    (part, *_) = rules_of(line("X", midis, [at[m] for m in midis]), "bowed")
    assert part.scope == "part"
    assert part.bias_cents == pytest.approx(13.2, abs=1.5)  # their mean


def test_four_notes_of_one_pitch_that_chance_took_high_still_speak_for_the_part() -> None:
    """7 sharp on a scatter of 8, four C#4 12 over the others: no more than chance does."""
    played = [*errors(24, 7, 8.0), 17.0, 19.0, 19.0, 21.0]
    midis = [52 + (k // 2) % 6 for k in range(24)] + [61] * 4  # each with notes on either side
    part, *_ = rules_of(line("X", midis, played), "fretted")
    assert part.bias_cents == pytest.approx(np.mean(played), abs=0.5)


@pytest.mark.parametrize(("off", "rows"), [(-3.0, 1), (0.0, 1), (3.0, 1), (4.0, 2)])
def test_a_part_leaves_out_the_pitch_that_would_be_moved_back(off: float, rows: int) -> None:
    """A part 12 flat but for one pitch: where that is right to 3.5 cents, no rule moves it."""
    keys = [57, 60, 64, 69, 74, 67] * 8
    off_cents = [off if k == 74 else -12.0 for k in keys]
    part, *pitches = rules_of(line("X", keys, off_cents), "fretted")
    assert (part.scope, part.add_cents) == ("part", pytest.approx(12.0, abs=0.1))
    assert len(part.covers) == (40 if rows == 1 else 48)
    assert ("every D5 left out" in part.reason) == (rows == 1)
    assert [r.add_cents for r in pitches] == [pytest.approx(-12.0 - off, abs=0.1)] * (rows - 1)


def test_pitch_sharp_everywhere_is_one_rule() -> None:
    """A fret that is sharp everywhere is one row, and the part is left."""
    midis = [61 if k % 5 == 0 else 52 + k % 7 for k in range(60)]
    played = [
        (10.0 if m == 61 else 0.0) + e for m, e in zip(midis, errors(60, 0, 1.5), strict=True)
    ]
    (rule,) = rules_of(line("X", midis, played), "fretted")
    assert (rule.scope, rule.intended_midi, len(rule.covers)) == ("pitch", 61, 12)


def test_a_pitch_of_stacked_voices_is_no_rule() -> None:
    """What sounds together in one file is moved as a whole, be one pitch sharp everywhere."""
    midis = [61 if k % 5 == 0 else 52 + k % 7 for k in range(60)]
    played = [
        (10.0 if m == 61 else 0.0) + e for m, e in zip(midis, errors(60, 0, 1.5), strict=True)
    ]
    assert rules_of(line("X", midis, played), "brass", as_a_whole=True) == ()
    (rule,) = rules_of(line("X", midis, errors(60, 9.0, 1.5)), "brass", as_a_whole=True)
    assert rule.scope == "part"


@pytest.mark.parametrize(
    ("n", "off", "found"), [(4, 9.0, 1), (3, 9.0, 0), (6, 6.0, 1), (6, 5.9, 0)]
)
def test_edges_of_the_pitch_rule(n: int, off: float, found: int) -> None:
    """A pitch needs four notes and six cents."""
    midis = [*scale(40), *[75] * n]
    assert len(rules_of(line("X", midis, [0.0] * 40 + [off] * n), "fretted")) == found


@pytest.mark.parametrize(("spread", "found"), [(2.0, 1), (8.0, 0)])
def test_four_notes_that_agree_by_chance_are_no_rule(spread: float, found: int) -> None:
    """Four notes 9 sharp and within a cent: a rule where all scatter by 2, chance where by 8."""
    midis = [52 + k % 7 for k in range(56)] + [75] * 4
    played = [*errors(56, 0, spread), 8.5, 9.5, 9.0, 9.0]
    assert len(rules_of(line("X", midis, played), "bowed")) == found


def test_scattered_pitch_is_no_rule() -> None:
    """A pitch whose mean is known no better than 2 cents is left to its single notes."""
    tight, loose = [10.0, 8.0, 12.0, 10.0], [20.0, 2.0, 17.0, 1.0]
    midis = [*scale(40), *[75] * 4]
    assert len(rules_of(line("X", midis, [0.0] * 40 + tight), "fretted")) == 1
    assert rules_of(line("X", midis, [0.0] * 40 + loose), "fretted") == ()


@pytest.mark.parametrize(
    ("preset", "off", "found"),
    [("plain-band", 6.5, 1), ("plain-band", 6.4, 0), ("blue-hour", 9.1, 1), ("blue-hour", 9.0, 0)],
)
def test_a_pitch_of_a_lead_needs_as_much_as_all_of_it(preset: str, off: float, found: int) -> None:
    """6.5 cents times the factor of the preset, where other parts need 6."""
    notes = line("X", [*scale(40), *[75] * 6], [0.0] * 40 + [off] * 6)
    assert len(rules_of(notes, "lead-voice", judging=preset)) == found


def test_pitches_of_a_lead_that_is_left_off_are_judged_by_where_it_sits() -> None:
    """A lead left 6 flat: one pitch 7 flat is no rule, one 13 flat goes to where the others are."""
    midis = [*scale(40), *[75] * 6]
    (offer,) = rules_of(line("X", midis, [-6.0] * 40 + [-7.0] * 6), "lead-voice")
    assert offer.sits_so
    offer, pitch = rules_of(line("X", midis, [-6.0] * 40 + [-13.0] * 6), "lead-voice")
    assert (offer.sits_so, pitch.add_cents) == (True, pytest.approx(7.0, abs=0.2))


def test_lead_voice_a_little_off_is_an_offer() -> None:
    """A lead voice 6.4 flat is only offered a move; 6.5 flat is one rule."""
    (offer,) = rules_of(line("X", scale(50), errors(50, -6.4, 2)), "lead-voice")
    assert (offer.action, offer.applied, offer.add_cents) == ("leave", False, 0.0)
    (rule,) = rules_of(line("X", scale(50), errors(50, -6.5, 2)), "lead-voice")
    assert (offer.sits_so, rule.sits_so) == (True, False)
    assert (rule.action, rule.applied) == ("whole-part", True)


@pytest.mark.parametrize(("spread", "so"), [(3.0, True), (3.1, False)])
def test_a_lead_sits_so_where_its_notes_lie_together(spread: float, so: bool) -> None:
    """Half of them within 3 cents of their middle, which edits leave in anyway."""
    off = [-6.0, -6.0 - spread, -6.0 + spread] * 15
    (offer,) = rules_of(line("X", scale(45), off), "lead-voice")
    assert (offer.applied, offer.sits_so) == (False, so)


def run(onset: float, n: int = 24, u: float = 12.0, spread: float = 10) -> list[MeasuredNote]:
    """A bass whose held notes are fine, then a run of short ones with their onset off."""
    held = line("X", scale(20), errors(20, 0, 1))
    scatter = errors(n, onset, spread)
    return held + [
        note(f"X-{100 + k:04d}", 40 + k % 3, 0.0, start_s=30 + 0.3 * k, length_s=0.15,
             onset=scatter[k], short=True, uncertainty=u)
        for k in range(n)
    ]  # fmt: skip


def test_run_of_short_notes_is_one_rule() -> None:
    """Two dozen short notes high at the onset are one row, a quarter of it left in."""
    (rule,) = rules_of(run(19.0), "bass-fretted")
    assert (rule.action, rule.scope, rule.judged_by) == ("short-notes", "passage", "onset")
    assert len(rule.covers) == 24
    assert rule.add_cents == pytest.approx(-14, abs=1)
    assert rule.uncertainty_cents == pytest.approx(12 / 24**0.5, abs=0.3)


def test_edges_of_the_short_rule() -> None:
    """Five short notes, onsets off by less than 8, or a shaky middle make no rule."""
    assert len(rules_of(run(19.0, n=6, u=1.0, spread=2), "bass-fretted")) == 1
    assert rules_of(run(19.0, n=5, u=1.0, spread=2), "bass-fretted") == ()
    assert len(rules_of(run(8.5, u=1.0, spread=0.1), "bass-fretted")) == 1
    assert rules_of(run(7.9, u=1.0, spread=0.1), "bass-fretted") == ()
    assert rules_of(run(19.0, u=25.0), "bass-fretted") == ()


@pytest.mark.parametrize(("scatter", "found"), [(5.0, 1), (22.0, 0)])
def test_a_run_must_gain_by_what_its_other_notes_say(scatter: float, found: int) -> None:
    """Onsets 9 sharp as a whole: scattered by 5 a rule, by 22 one number mends hardly any."""
    held = line("X", scale(20), errors(20, 0, 1))
    off = errors(60, 9.0, scatter)
    short = [
        note(f"X-{100 + k:04d}", 40 + k % 3, 0.0, start_s=30 + 0.3 * k, length_s=0.15,
             onset=off[k], short=True, uncertainty=1.0)
        for k in range(60)
    ]  # fmt: skip
    assert len(rules_of(held + short, "bass-fretted")) == found


def test_a_run_of_bends_and_straight_notes_has_no_middle() -> None:
    """Three bent up from two semitones below, three struck in tune, by turns: no rule."""
    held = line("X", scale(20), errors(20, 0, 1))
    bent = [
        note(f"X-{100 + k}", 50, 0.0, onset=-200.0 * (k % 2), start_s=30 + 0.3 * k, length_s=0.25)
        for k in range(6)
    ]  # fmt: skip
    assert rules_of(held + bent, "fretted") == ()


def test_short_notes_of_a_voice_are_no_run() -> None:
    """Breath and bow begin notes otherwise: no short-notes rule for them."""
    assert rules_of(run(19.0), "brass") == ()


@pytest.mark.parametrize("role", ["tuning-reference", "fixed-pitch", "exclude"])
def test_reference_never_yields_a_rule(role: Role) -> None:
    """What nobody can move gets no rule, however far out."""
    assert rules_of(line("X", scale(60), [20.0] * 60), role) == ()


def test_sampled_part_is_mended_at_source() -> None:
    """A sampled part that is off is advice to retune it where it was made."""
    (rule,) = rules_of(line("X", scale(60), [5.0] * 60), "sampled")
    assert (rule.action, rule.applied) == ("at-source", False)
    assert rule.reason.startswith("the part is 5 sharp, all 60 notes alike: retune it where it was")
    # What speaks against it is said as well: notes that do not lie there.
    (rule,) = rules_of(line("X", scale(60), [5.0] * 45 + [-9.0] * 15), "sampled")
    assert "45 of 60 notes alike and the others elsewhere" in rule.reason


def test_each_drum_is_advised_by_itself() -> None:
    """Two drums, one 30 sharp: one piece of advice, for that drum."""
    notes = line("X", [41, 48] * 8, [30.0, 2.0] * 8)
    (rule,) = rules_of(notes, "drum-tones")
    assert (rule.action, rule.intended_midi, len(rule.covers)) == ("at-source", 41, 8)


def test_protected_notes_are_not_covered() -> None:
    """Notes that nobody may touch are in no rule; expression moves with the part."""
    notes = line("X", scale(30), [8.0] * 30)
    keep = frozenset({"X-0003"})
    (rule,) = rules_of(notes, "fretted", leave_alone=keep)
    assert len(rule.covers) == 29
    assert "X-0003" not in rule.covers
    (rule,) = rules_of(notes, "fretted", expression=keep)
    assert "X-0003" in rule.covers


def test_layers_name_their_rules() -> None:
    """Every covered note lists its rules, biggest first."""
    (rule,) = rules_of(line("X", scale(10), [8.0] * 10), "fretted")
    assert layers_of({"R-001": rule})["X-0001"] == (("R-001", rule.add_cents),)
    assert PLAIN.leave_in == 0.25


# ---------------------------------------------------------------- how strictly notes are judged


def judged(notes: list[MeasuredNote], factor: float, most: float = 1.0) -> dict[str, float]:
    """The same factor for the first notes of a part, as many as said."""
    return {n.id: factor for n in notes[: round(most * len(notes))]}


@pytest.mark.parametrize(("factor", "found"), [(1.4, 1), (1.45, 0), (0.2, 1)])
def test_a_part_judged_less_strictly_is_a_rule_from_more_cents(factor: float, found: int) -> None:
    """5 cents make a rule while 3.5 times the factor of their notes are no more."""
    notes = line("X", scale(60), errors(60, 5, 1))
    assert len(rules_of(notes, "fretted", factors=judged(notes, factor))) == found


def test_no_part_is_a_rule_for_less_than_is_heard() -> None:
    """However strict a section is, 3.3 cents are none: no one hears them."""
    notes = line("X", scale(60), errors(60, 3.3, 0.05))
    assert rules_of(notes, "fretted", factors=judged(notes, 0.2)) == ()


@pytest.mark.parametrize(("most", "found"), [(0.4, 1), (0.6, 0)])
def test_most_of_the_notes_say_how_strictly_a_rule_is_judged(most: float, found: int) -> None:
    """A loose section makes a part loose where most of its notes lie in it, and else not."""
    notes = line("X", scale(60), errors(60, 5, 1))
    assert len(rules_of(notes, "fretted", factors=judged(notes, 2.0, most))) == found


@pytest.mark.parametrize(
    ("off", "factor", "found"), [(7.0, 1.15, 1), (7.0, 1.2, 0), (4.5, 0.7, 1), (4.5, 0.8, 0)]
)
def test_one_pitch_is_judged_as_its_notes_are(off: float, factor: float, found: int) -> None:
    """6 cents times the factor: 7 are a rule up to 1.15, 4.5 only where it is strict."""
    notes = line("X", [60, 62, 64, 65] * 10, [off, 0.2, -0.2, 0.0] * 10)
    own = [n for k, n in enumerate(notes) if k % 4 == 0]
    rules = rules_of(notes, "fretted", factors=judged(own, factor))
    assert [rule.scope for rule in rules] == ["pitch"] * found


@pytest.mark.parametrize(("factor", "found"), [(1.05, 1), (1.1, 0)])
def test_a_short_run_is_judged_as_its_notes_are(factor: float, found: int) -> None:
    """Onsets 8.5 off are a rule up to 8 times the factor."""
    notes = run(8.5, u=1.0, spread=0.1)
    assert len(rules_of(notes, "bass-fretted", factors=judged(notes, factor))) == found


@pytest.mark.parametrize(("factor", "found"), [(1.6, 1), (1.65, 0)])
def test_a_lead_judged_less_strictly_is_moved_from_more_cents(factor: float, found: int) -> None:
    """10.5 off is moved as a whole up to 6.5 times the factor; then it is only offered."""
    notes = line("X", scale(50), errors(50, -10.5, 1))
    (rule,) = rules_of(notes, "lead-voice", factors=judged(notes, factor))
    assert rule.applied is bool(found)


@pytest.mark.parametrize(("factor", "found"), [(1.4, 1), (1.6, 0)])
def test_what_is_put_right_at_source_is_judged_so_too(factor: float, found: int) -> None:
    """A sampled part 4.5 off is told from 3 cents times the factor on."""
    notes = line("X", scale(20), errors(20, 4.5, 0.2))
    assert len(rules_of(notes, "sampled", factors=judged(notes, factor))) == found
