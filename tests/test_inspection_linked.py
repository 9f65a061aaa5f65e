"""Two files of one source: alike, or one of them moved without the other."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from planner.demo.tones import SR, StringSound, mix, plucked
from planner.inspect.inspection_one_source import linked_findings
from planner.model import MeasuredNote
from planner.pitch import midi_to_hz, shift_hz
from planner.run import inspect_session
from tests.deciding import line, stem

TUNE = [33, 36, 40, 41, 38, 43, 45, 40] * 3
RNG = np.random.default_rng(8)
PLAYED = RNG.normal(0.0, 6.0, len(TUNE))


def bass(moved: dict[int, float] | None = None, whole: float = 0.0, **fields: Any) -> Any:
    """The notes of one file: what was played, some of it moved."""
    off = [c + whole + (moved or {}).get(k, 0.0) for k, c in enumerate(PLAYED)]
    return line("BAS", TUNE, off, length_s=0.5, **fields)


def asked(other: list[MeasuredNote]) -> list[str]:
    """What is asked when this lies beside the stem."""
    heard = [(n.note, n.measurement) for n in other]
    found = linked_findings(stem("BAS", "bass-fretted", bass()), "amp.wav", heard)
    assert {f.severity for f in found} <= {"question"}
    assert all(f.did and f.advice and f.file == "amp.wav" for f in found)
    return [f.what for f in found]


def test_files_that_agree_are_not_asked_about() -> None:
    """However out of tune the player: both files say the same, give or take a cent."""
    jitter = {k: float(c) for k, c in enumerate(RNG.normal(0.0, 0.7, len(TUNE)))}
    assert asked(bass(jitter)) == []


@pytest.mark.parametrize(
    ("moved", "said"),
    [
        ({3: -12.0}, "1 note of amp.wav lies 12 cents off BAS's own (1.8 s), the other 23 agree"),
        (
            {3: -12.0, 9: 20.0},
            "2 notes of amp.wav lie 12 to 20 cents off BAS's own (1.8 s, 5.4 s), the other 22 "
            "agree",
        ),
        ({3: 4.3}, "1 note of amp.wav lies 4.3 cents off BAS's own (1.8 s), the other 23 agree"),
        ({3: 3.9}, None),
    ],
)
def test_a_note_moved_in_one_file_is_asked_about(moved: dict[int, float], said: str | None) -> None:
    """From 4 cents on, where the rest agrees and both readings are sure."""
    what = asked(bass(moved))
    assert what == (
        [] if said is None else [f"{said}: was one file of this source moved without the other?"]
    )


@pytest.mark.parametrize(("whole", "told"), [(2.5, 1), (1.9, 0), (-8.0, 1)])
def test_a_file_moved_as_a_whole_is_asked_about(whole: float, told: int) -> None:
    """From 2 cents over the whole file on."""
    what = asked(bass(whole=whole))
    assert len(what) == told
    if told:
        assert "of the file that BAS is measured from, over 24 notes: was one file" in what[0]


def test_another_part_is_not_compared() -> None:
    """Notes that do not begin together, or few of them, say nothing; nor do unsure readings."""
    assert asked(bass({k: 30.0 * (k % 2) for k in range(24)})) == []
    assert asked([replace(n, note=replace(n.note, start_s=n.note.start_s + 0.2))
                  for n in bass({3: 12.0})]) == []  # fmt: skip
    assert asked(bass({3: 12.0})[:11]) == []
    assert asked(bass({3: 12.0}, confidence="shaky")) == []


def test_inspect_hears_the_other_file(tmp_path: Path) -> None:
    """In sound: one note of the amp's file is 15 cents lower than the line's."""
    tune = [40, 43, 45, 47, 45, 43, 40, 38, 36, 38, 40, 43, 45, 43]
    for name, off, gain in (("di.wav", 0.0, 1.0), ("amp.wav", -15.0, 0.5)):
        rng = np.random.default_rng(5)
        notes = [
            (
                0.3 + 0.6 * k,
                plucked(shift_hz(midi_to_hz(m), off if k == 6 else 0.0), 0.5, StringSound(), rng),
            )
            for k, m in enumerate(tune)
        ]
        samples = mix(notes, 9.5).samples
        soundfile.write(tmp_path / name, gain * 0.4 * samples / np.abs(samples).max(), SR)
    path = tmp_path / "session.yaml"
    path.write_text(
        "version: 1\nsong: Weir Lane\npitch_reference: {a4_hz: 440.0}\nstems:\n"
        "  - {code: BAS, file: di.wav, role: bass-fretted, linked: [amp.wav]}\n"
    )
    findings = inspect_session(path).findings
    (found,) = [f for f in findings if "moved without the other" in f.what]
    assert found.what.startswith("1 note of amp.wav lies 15 cents off BAS's own (3.9 s)")
