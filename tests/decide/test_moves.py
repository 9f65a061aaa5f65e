from dataclasses import replace

import pytest
from deciding import contour, note
from invented_plan import judged

from planner.decide import moves


def test_left_in() -> None:
    """A quarter is left in, at least 3 cents, at most four fifths of the tolerance."""
    assert moves.left_in(20, 18, 0.25, 3) == 5
    assert moves.left_in(-8, 18, 0.25, 3) == 3
    assert moves.left_in(35, 10, 0.25, 3) == 8
    assert moves.left_in(2, 18, 0.25, 3) == 2


@pytest.mark.parametrize(("error", "add"), [(21, -16.0), (-21, 16.0)])
def test_whole_note(error: float, add: float) -> None:
    """Sharp is lowered and flat is raised, and all forms say the same."""
    got = moves.move_note(error, 5.25, 1.4)
    assert (got.add_cents, got.points) == (add, ((0.0, add), (1.4, add)))
    assert got.remaining_cents == error + add


def test_start_ends_before_the_rest() -> None:
    """A start-only edit is over by a quarter of a second and blends back over 60 ms or more."""
    got = moves.move_start(30, 5, 10, 7.0, 1.0)
    times = [t for t, _ in got.points]
    assert got.points[0] == (0.0, -25.0)
    assert times[2] <= 0.25
    assert times[2] - times[1] >= 0.06
    assert got.cut_s is not None
    assert 7.0 + times[1] < got.cut_s < 7.0 + times[2]


@pytest.mark.parametrize("settle_s", [0.01, 0.033, 0.08, 0.15, 2.0])
def test_a_start_is_never_split(settle_s: float) -> None:
    """However soon the pitch arrives, the start has 40 ms of its own and the cut comes later.

    Never split inside the first 40 ms of a pluck: common practice, no source.
    """
    got = moves.shape_note(-3, -20, 3, 5, settle_s, 7.0, 0.5)
    times = [t for t, _ in got.points]
    assert times[1] >= 0.04
    assert got.cut_s is not None
    assert times[1] < got.cut_s - 7.0 < times[2] <= 0.65 * 0.5


def test_held_end_is_never_steep() -> None:
    """A held end ramps by 60 cents a second at most and starts where the pitch leaves."""
    got = moves.hold_end(-60, 0, 1.0, -2, 1.6)
    (start, zero), (reached, add) = got.points[1], got.points[2]
    assert (start, zero) == (1.0, 0.0)
    assert add / (reached - start) <= 60.0 + 1.2
    assert got.add_cents is None


def test_lean_is_evened_around_its_middle() -> None:
    """The two ends move by the same amount in opposite directions."""
    got = moves.steady_note(20, 2, 0.25, 3, 18, 3.0)
    assert got.points[0][1] == -got.points[1][1] > 0
    assert got.remaining_cents == 2


def test_where_a_note_is_held_before_its_end_runs_off() -> None:
    """Its sustain leans to an end that runs off for long; its first tenths do not."""
    sag = contour(5.0, 2.0, 60, lambda t: -40 * max(0.0, t - 1.0))
    n = note("V-1", 60, -8, start_s=5.0, length_s=2.0, **sag)
    assert moves.held_off(n) == pytest.approx(8.0)
    assert moves.held_off(note("V-1", 60, -8)) == 0.0


def test_what_a_move_leaves_along_a_note() -> None:
    """Twenty sharp and lowered by 20: nothing; by 10 at its end alone, between the two."""
    level = contour(0.0, 2.0, 60, lambda t: 20.0)
    n = note("V-1", 60, 20, length_s=2.0, **level)
    made = [moves.move_note(20.0, left, 2.0) for left in (0.0, 20.0)]
    assert [moves.left_along(n, 20.0, m) for m in made] == [pytest.approx(0.0), pytest.approx(20.0)]
    half = moves.Move(points=((0.0, 0.0), (2.0, -20.0)), remaining_cents=10.0, gain_cents=10.0)
    assert moves.left_along(n, 20.0, half) == pytest.approx(20.0 / 3**0.5, abs=0.1)
    assert moves.left_along(note("V-1", 60, 20), 20.0, half) == 0.0


def test_where_the_end_leaves() -> None:
    """The end leaves where the pitch is 8 cents off for good; vibrato is averaged out."""
    sag = contour(5.0, 2.0, 60, lambda t: -40 * max(0.0, t - 1.0))
    n = note("V-1", 60, 0, start_s=5.0, length_s=2.0, **sag)
    assert moves.end_leaves_s(n) == pytest.approx(1.2, abs=0.02)
    level = contour(5.0, 2.0, 60, lambda t: 0.0)
    assert moves.end_leaves_s(note("V-1", 60, 0, start_s=5.0, length_s=2.0, **level)) is None
    assert moves.end_leaves_s(note("V-1", 60, 0)) is None


def test_how_much_of_a_note_one_number_spoils() -> None:
    """None of what stands off, a third where it lies beyond; nothing inside its tolerance."""
    level = note("V-1", 60, 20, length_s=1.0, **contour(0.0, 1.0, 60, lambda t: 20.0))
    assert moves.share_spoilt(level, 20.0, -20.0, 12.0) == 0.0
    assert moves.share_spoilt(level, 20.0, 10.0, 12.0) == 1.0
    late = contour(0.0, 1.0, 60, lambda t: 20.0 if t > 0.35 else -20.0)
    turned = note("V-2", 60, 20, length_s=1.0, **late)
    assert moves.share_spoilt(turned, 20.0, -20.0, 12.0) == pytest.approx(1 / 3, abs=0.03)
    assert moves.share_spoilt(turned, 20.0, -20.0, 40.0) == 0.0
    assert moves.share_spoilt(note("V-3", 60, 20), 20.0, -20.0, 12.0) == 0.0


def test_a_note_is_carried_out_with_the_slope_that_its_edit_leaves() -> None:
    """A sag over the last half of a note leans it; held, it leans by as much less."""
    points = ((0.0, 0.0), (0.7, 0.0), (1.4, 28.0))  # 40 cents a second from the middle on
    one = judged(action="hold-end", add_cents=None, points=points)
    held = moves.note_made(one.measured, one).measurement.slope_cents_per_s
    before = one.measured.measurement.slope_cents_per_s
    assert held is not None
    assert before is not None
    # Of 0.75 of the note, 0.35 lie in the ramp: 3 t^2 - 2 t^3 of its slope, t being that share.
    t = 0.35 / 0.75
    assert held - before == pytest.approx(40.0 * (3 * t**2 - 2 * t**3), abs=0.5)


def test_what_is_done_before_the_pitch_arrives_does_not_tilt_the_sustain() -> None:
    """The rest of a bend raised from its arrival on: its sustain is as level as it was."""
    points = ((0.0, 0.0), (0.3, 0.0), (0.45, 24.0), (1.4, 24.0))
    one = judged(action="shape", add_cents=None, points=points)
    m = replace(one.measured.measurement, settle_s=0.45)
    bent = replace(one, measured=replace(one.measured, measurement=m))
    assert moves.note_made(bent.measured, bent).measurement.slope_cents_per_s == pytest.approx(
        m.slope_cents_per_s
    )
