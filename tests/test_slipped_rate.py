"""44.1 kHz taken for 48, and a band off its A4, from the sound of the files to the plan."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
import yaml

from planner.cli import main
from planner.demo.tones import SR, StringSound, mix, plucked
from planner.model import Floats
from planner.pitch import cents, midi_to_hz

PHRASE = (45, 48, 52, 50, 47, 52, 53, 48)
OTHER_RATE = 44100
# Sixteen notes each, in the octave that a part plays in.
PARTS = {"BAS": -12, "EGL": 0, "EGR": 12}


def _sound(seed: int, up: int, a4_hz: float) -> Floats:
    rng = np.random.default_rng(seed)
    notes = [
        (0.2 + 0.6 * k, plucked(midi_to_hz(midi + up, a4_hz), 0.5, StringSound(), rng))
        for k, midi in enumerate(PHRASE * 2)
    ]
    samples = mix(notes, 10.0).samples
    return samples / np.abs(samples).max() * 0.4


def _session(folder: Path, reference: str, *, a4_hz: float = 440.0, slipped: str = "") -> Path:
    """Three parts at an A4, the file of one of them at a wrong rate: "low" or "high"."""
    (folder / "stems").mkdir()
    lines = ["version: 1", "song: Low Weir", "audio_folder: stems", reference, "stems:"]
    for seed, (code, up) in enumerate(PARTS.items()):
        samples, rate = _sound(seed, up, a4_hz), SR
        if code == "EGL" and slipped == "low":  # 48 kHz, told to be 44.1
            rate = OTHER_RATE
        elif code == "EGL" and slipped == "high":  # 44.1 kHz, told to be 48
            samples = soxr.resample(samples, SR, OTHER_RATE)
        soundfile.write(folder / "stems" / f"{code}.wav", samples, rate, subtype="PCM_24")
        role = "bass-fretted" if code == "BAS" else "fretted"
        lines.append(f"  - {{code: {code}, file: {code}.wav, role: {role}}}")
    path = folder / "session.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _rows(session_file: Path, plan: str) -> list[dict[str, object]]:
    text = (session_file.parent / plan / "edit_list.yaml").read_text(encoding="utf-8")
    found = yaml.safe_load(text)["rows"]
    assert isinstance(found, list)
    return found


def _asked_and_moved(session_file: Path) -> tuple[dict[str, object], list[dict[str, object]]]:
    """Plan, say yes to the one row, which asks, and plan again: that row, and the rules then."""
    assert main(["plan", str(session_file), "--quiet", "--silent-page"]) == 1
    (asked,) = _rows(session_file, "plan_01")
    assert main(["answer", str(session_file), f"{asked['id']} yes", "--by", "Ed"]) == 0
    main(["plan", str(session_file), "--quiet", "--silent-page"])
    return asked, [row for row in _rows(session_file, "plan_02") if row["kind"] == "rule"]


def _told(rows: list[dict[str, object]]) -> list[tuple[object, object]]:
    return [(row["stem"], row["action"]) for row in rows]


@pytest.mark.parametrize(("slipped", "sign"), [("low", -1.0), ("high", 1.0)])
@pytest.mark.parametrize("reference", ["{a4_hz: 440}", "{from: majority}"])
def test_a_stem_at_a_wrong_rate_waits_for_a_yes(
    tmp_path: Path, slipped: str, sign: float, reference: str
) -> None:
    """147 cents off, it is asked about alone; no other part moves; a yes moves it to its notes."""
    session_file = _session(tmp_path, f"pitch_reference: {reference}", slipped=slipped)
    asked, moved = _asked_and_moved(session_file)
    assert (asked["stem"], asked["action"]) == ("EGL", "ask")
    assert "44.1 and 48 kHz were taken for each other" in str(asked["reason"])
    assert _told(moved) == [("EGL", "whole-part")]
    beyond = sign * (cents(SR, OTHER_RATE) - 100.0)  # a semitone of it is another note
    assert float(str(moved[0]["add_cents"])) == pytest.approx(-beyond, abs=1.5)


def test_a_band_far_off_a_typed_a4_waits_for_a_yes(tmp_path: Path) -> None:
    """All 40 sharp of what is typed: one question, and nothing moves before a yes."""
    session_file = _session(tmp_path, "pitch_reference: {a4_hz: 430}", a4_hz=440.0)
    asked, moved = _asked_and_moved(session_file)
    assert (asked["stem"], asked["action"]) == ("BAS", "ask")
    assert "sharp of A4 = 430 Hz" in str(asked["reason"])
    assert _told(moved) == [(code, "whole-part") for code in PARTS]
