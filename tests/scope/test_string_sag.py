"""What of a plucked note's sustain comes from its stroke, and where its string comes to rest.

The fall is written down before it is asked for: exponential, as Legge and N. H. Fletcher (1984)
have it for a string whose tension follows the square of its amplitude.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from deciding import A4, contour, line, note, part_ground, session, stem

from planner.demo.tones import SR, StringSound, mix, plucked
from planner.edges.hearing import hear_stem
from planner.model import MeasuredNote, Role
from planner.pitch import midi_to_hz, shift_hz
from planner.scope.string_sag import at_rest, sag_in_sustains, told
from planner.scopes import find_rules
from planner.targets import aim, target_for
from planner.words.session_model import StemSpec

LENGTHS_S = (0.3, 0.5, 0.8, 1.2)


def struck(
    k: int, sharp: float, fall_s: float, off: float = 0.0, *, noise: float = 0.1
) -> MeasuredNote:
    """One note that starts so many cents sharp of where its string comes to rest."""
    length_s, rng = LENGTHS_S[k % len(LENGTHS_S)], np.random.default_rng(k)

    def line(t: np.ndarray) -> np.ndarray:
        return off + sharp * np.exp(-t / fall_s) + rng.normal(0.0, noise, np.shape(t))

    t = np.linspace(0.15, 0.85 * length_s, 200)
    sustain = off + float((sharp * np.exp(-t / fall_s)).mean())
    return note(
        f"X-{k:04d}", 52 + 5 * k % 12, sustain, start_s=1.5 * k, length_s=length_s,
        onset=off + sharp * float(np.exp(-0.04 / fall_s)),
        **contour(1.5 * k, length_s, 52 + 5 * k % 12, line),
    )  # fmt: skip


@pytest.mark.parametrize("fall_s", [0.08, 0.15, 0.3])
def test_sustains_come_to_rest(fall_s: float) -> None:
    """Whatever stroke and length, what is left of each note is where its string was tuned."""
    notes = [struck(k, 5.0 + k % 7, fall_s) for k in range(16)]
    where = session(stem("X", "fretted", notes))
    aimed = tuple(aim(n, target_for(n, "fretted", where, A4)) for n in notes)
    rests = at_rest(aimed, sag_in_sustains(notes, "fretted"))
    assert max(abs(a.sustain_cents or 0.0) for a in rests) < 0.5
    if fall_s > 0.1:
        assert max(a.sustain_cents or 0.0 for a in aimed) > 2.0
    assert [a.heard_cents for a in rests] == [a.heard_cents for a in aimed]


@pytest.mark.parametrize(("role", "told"), [("bass-fretted", 16), ("bowed", 0), ("lead-voice", 0)])
def test_only_strings_that_are_struck_come_to_rest(role: Role, told: int) -> None:
    """A bow or a voice that comes down to its pitch has meant that."""
    assert len(sag_in_sustains([struck(k, 8.0, 0.2) for k in range(16)], role)) == told


@pytest.mark.parametrize(("notes", "told"), [(8, 8), (7, 0)])
def test_edge_of_few_notes(notes: int, told: int) -> None:
    """How fast a part's strings fall is told by eight notes, not by seven."""
    assert len(sag_in_sustains([struck(k, 8.0, 0.2) for k in range(notes)], "fretted")) == told


def test_notes_that_do_not_fall_have_no_sag() -> None:
    """Level lines are left as they are, and so is one note that comes from far above."""
    assert sag_in_sustains([struck(k, 0.0, 0.2, noise=0.5) for k in range(16)], "fretted") == {}
    bent = [*(struck(k, 8.0, 0.2) for k in range(16)), struck(16, 120.0, 0.2)]
    assert set(sag_in_sustains(bent, "fretted")) == {n.id for n in bent[:-1]}


def test_notes_that_rise_have_no_sag() -> None:
    """A string relaxes downwards: what rises, bowed under a plucked role, is level."""
    assert sag_in_sustains([struck(k, -8.0, 0.2) for k in range(16)], "bass-fretless") == {}


@pytest.mark.parametrize(("low", "fall_s"), [(28, 0.25), (52, 0.12)])
def test_a_part_seven_sharp_is_moved_by_seven_however_it_is_struck(
    tmp_path: Path, low: int, fall_s: float
) -> None:
    """Synthesised strings tuned 7 sharp, struck hard: 7 lower, where sustains say more."""
    rng = np.random.default_rng(7)
    role: Role = "bass-fretted" if low < 40 else "fretted"
    sounds = []
    for k in range(24):
        string = StringSound(
            b=1e-4, sharp_at_onset_cents=float(rng.uniform(5.0, 20.0)), settle_s=fall_s
        )
        hz = shift_hz(midi_to_hz(low + 5 * k % 12), 7.0)
        sounds.append((0.2 + 0.8 * k, plucked(hz, (0.3, 0.5, 0.7)[k % 3], string, rng)))
    path = tmp_path / "x.wav"
    samples = mix(sounds, 20.0).samples
    soundfile.write(path, 0.4 * samples / np.abs(samples).max(), SR, subtype="PCM_24")
    heard = hear_stem(StemSpec(code="X", file="x.wav", role=role), path, "x.wav")
    notes = [
        MeasuredNote(id=f"X-{k:04d}", note=one, measurement=m)
        for k, (one, m) in enumerate(heard.notes)
    ]
    where = session(stem("X", role, notes))
    aimed = tuple(aim(n, target_for(n, role, where, A4)) for n in notes)
    as_heard = find_rules(aimed, part_ground(role))
    rules = find_rules(at_rest(aimed, sag_in_sustains(notes, role)), part_ground(role))
    (rule,) = [r for r in rules if r.scope == "part"]
    assert rule.add_cents == pytest.approx(-7.0, abs=0.3)
    assert all(r.add_cents < -7.5 for r in as_heard if r.scope == "part")


@pytest.mark.parametrize(("cents", "said"), [(1.0, True), (0.9, False)])
def test_edge_of_what_is_told_of_it(cents: float, said: bool) -> None:
    """A rule says where it was judged once that is a cent away from the sustains."""
    aimed = tuple(
        aim(n, target_for(n, "fretted", session(stem("X", "fretted", [n])), A4))
        for n in line("X", [52, 55, 57, 59] * 5, [7.0] * 20)
    )
    (rule,) = find_rules(aimed, part_ground("fretted"))
    (with_it,) = told((rule,), {a.measured.id: cents for a in aimed})
    ends = "measured where its strings settle: the notes sound 1 higher than that"
    assert with_it.reason.endswith(ends) is said
    assert told((rule,), {}) == (rule,)
