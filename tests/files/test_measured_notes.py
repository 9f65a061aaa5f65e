"""What was measured is kept, read back the same, and never read where it would be stale."""

import dataclasses
import json
import shutil
import zlib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from tones.exact import faded, laid_out, steady, tone, with_floor

import planner.edges.listening
import planner.files.measured_notes as measured_notes
from planner.cli import main
from planner.edges.heard_stem import HeardStem, as_listened_to
from planner.edges.hearing import hear_stem
from planner.errors import OutputError
from planner.files.audio import sha256_of
from planner.files.measured_notes import (
    KeptNotes,
    keep_measured,
    kept_notes,
    key_of,
    program_sum,
    read_measured,
)
from planner.model import Floats
from planner.score.score_match import StemScore
from planner.words.session_model import ProtectedSpan, StemSpec, Take

SR = 48_000
SPEC = StemSpec(code="GTR", file="line.wav", role="fretted")


def played(seed: int, pitches_hz: tuple[float, ...] = (196.0, 220.5, 262.0)) -> Floats:
    rng = np.random.default_rng(seed)
    pieces = [
        (0.3 + 0.7 * k, faded(tone(steady(f, 0.6, SR), SR, rng, decay_s=0.7), SR))
        for k, f in enumerate(pitches_hz)
    ]
    return with_floor(laid_out(pieces, 0.5 + 0.7 * len(pitches_hz), SR), -75.0, rng)


def write_line(path: Path, *, seed: int = 1, silent: bool = False) -> Path:
    line = played(seed)
    soundfile.write(path, 0.0 * line if silent else line, SR, subtype="PCM_24")
    return path


def is_same(one: object, other: object) -> bool:
    """Equal to the last bit and of the same types, whatever is inside."""
    if isinstance(one, np.ndarray):
        return (
            isinstance(other, np.ndarray)
            and one.dtype == other.dtype
            and one.shape == other.shape
            and one.tobytes() == other.tobytes()
            and not other.flags.writeable
        )
    if dataclasses.is_dataclass(one):
        names = [f.name for f in dataclasses.fields(one)]
        return type(one) is type(other) and all(
            is_same(getattr(one, n), getattr(other, n)) for n in names
        )
    if isinstance(one, tuple):
        return isinstance(other, tuple) and len(one) == len(other) and all(map(is_same, one, other))
    return type(one) is type(other) and (one == other or one != one)


def heard_at(path: Path, spec: StemSpec = SPEC) -> HeardStem:
    return hear_stem(as_listened_to(spec), path, path.name)


def kept_in(tmp_path: Path) -> KeptNotes:
    return KeptNotes(folder=tmp_path / "plans" / "measured_notes" / "session", program="p")


@pytest.mark.parametrize("role", ["fretted", "lead-voice", "tuning-reference", "exclude"])
@pytest.mark.parametrize("silent", [False, True])
def test_what_was_heard_reads_back_to_the_last_bit(tmp_path: Path, role: str, silent: bool) -> None:
    """Facts, notes, contours, spectra and findings come back equal and of the same types."""
    path = write_line(tmp_path / "line.wav", silent=silent)
    heard = heard_at(path, dataclasses.replace(SPEC, role=role))  # type: ignore[arg-type]
    kept = kept_in(tmp_path)
    keep_measured(kept, "GTR", "k", heard)
    back = read_measured(kept.place("GTR"), "k")
    assert is_same(heard, back)
    assert bool(heard.notes) == (role != "exclude" and not silent)


def test_the_form_is_open(tmp_path: Path) -> None:
    """A kept stem is NumPy arrays without pickles, one of them a strict JSON text."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    heard = heard_at(write_line(tmp_path / "line.wav", silent=True))
    kept = kept_in(tmp_path)
    keep_measured(kept, "A", "k", heard)
    with np.load(kept.place("A"), allow_pickle=False) as file:
        text = zlib.decompress(file["heard"].tobytes())
        assert set(file) == {"heard", "contour_s", "contour_hz", "spectra"}
    assert json.loads(text, parse_constant=refuse)["facts"]["peak_dbfs"] == "-inf"


def test_everything_that_listening_goes_by_is_in_the_key(tmp_path: Path) -> None:
    """Another file, name, role, side, string, capo, range, score or program is another key."""
    path = tmp_path / "line.wav"
    score = StemScore(name="a", notes=((0.0, 1.0, 60),))
    kept = kept_in(tmp_path)
    more = [
        dataclasses.replace(SPEC, **change)  # type: ignore[arg-type]
        for change in (
            {"code": "BAS"}, {"role": "bass-fretted"}, {"side": "left"}, {"strings": (40, 45)},
            {"capo": 2}, {"range_midi": (40, 80)}, {"several_notes": True},
        )
    ]  # fmt: skip
    keys = [
        key_of(kept, SPEC, path, "line.wav", None, "s"),
        *(key_of(kept, spec, path, "line.wav", None, "s") for spec in more),
        key_of(dataclasses.replace(kept, program="q"), SPEC, path, "line.wav", None, "s"),
        key_of(kept, SPEC, tmp_path / "Line.wav", "line.wav", None, "s"),
        key_of(kept, SPEC, path, "LINE.wav", None, "s"),
        key_of(kept, SPEC, path, "line.wav", None, "t"),
        key_of(kept, SPEC, path, "line.wav", score, "s"),
        key_of(kept, SPEC, path, "line.wav", dataclasses.replace(score, later_s=1.0), "s"),
    ]
    assert len(set(keys)) == len(keys)
    assert key_of(kept, SPEC, path, "line.wav", None, "s") == keys[0]


def test_what_cannot_change_a_reading_is_not_listened_to() -> None:
    """Answers and places of a stem are kept from whoever listens, so they cost no measurement."""
    answered = dataclasses.replace(
        SPEC, line=7, tolerance_factor=0.7, late_by_ms=20.0, takes=(Take(file="t.wav"),),
        comp_edges_s=(1.0,), do_not_touch=(ProtectedSpan(from_s=0.0, to_s=1.0),), follow_keys=True,
    )  # fmt: skip
    assert as_listened_to(answered) == as_listened_to(SPEC)


def test_another_program_has_another_sum(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One changed letter in any module, a new module, or another library is another program."""
    copy = tmp_path / "planner"
    shutil.copytree(Path(measured_notes.planner.__file__).parent, copy)
    before = program_sum()
    monkeypatch.setattr(measured_notes.planner, "__file__", str(copy / "__init__.py"))
    assert program_sum() == before
    module = copy / "tracker.py"
    text = module.read_text(encoding="utf-8")
    module.write_text(text + "#\n", encoding="utf-8")
    changed = program_sum()
    module.write_text(text, encoding="utf-8")
    (copy / "more.py").write_text("", encoding="utf-8")
    added = program_sum()
    (copy / "more.py").unlink()
    monkeypatch.setattr(measured_notes.metadata, "version", lambda name: "0")
    assert len({before, changed, added, program_sum()}) == 4


@pytest.mark.parametrize("spoil", ["cut", "flipped", "empty", "text", "folder"])
def test_a_broken_file_is_told(tmp_path: Path, spoil: str) -> None:
    """What cannot be read is never half read."""
    heard = heard_at(write_line(tmp_path / "line.wav"))
    kept = kept_in(tmp_path)
    keep_measured(kept, "A", "k", heard)
    place = kept.place("A")
    whole = place.read_bytes()
    if spoil == "folder":
        place.unlink()
        place.mkdir()
    else:
        flipped = bytearray(whole)
        flipped[len(whole) // 2] ^= 1
        cut = {"cut": whole[: len(whole) // 2], "flipped": bytes(flipped), "empty": b""}
        place.write_bytes(cut.get(spoil, b"not a zip"))
    with pytest.raises(OutputError) as told:
        read_measured(place, "k")
    assert "what was measured before cannot be read. It is measured again." in str(told.value)


def test_another_key_and_no_file_are_nothing(tmp_path: Path) -> None:
    """A stem kept under another key does not count, and neither does one that is not there."""
    heard = heard_at(write_line(tmp_path / "line.wav"))
    kept = kept_in(tmp_path)
    assert read_measured(kept.place("A"), "k") is None
    keep_measured(kept, "A", "k", heard)
    assert read_measured(kept.place("A"), "other") is None


def test_never_among_the_audio_and_told_where_it_cannot_be(tmp_path: Path) -> None:
    """A folder of stems is refused; a place that cannot be written to is told."""
    heard = heard_at(write_line(tmp_path / "line.wav"))
    kept = kept_in(tmp_path)
    with pytest.raises(OutputError, match="nothing is ever written there"):
        keep_measured(dataclasses.replace(kept, audio=(tmp_path,)), "A", "k", heard)
    assert not (tmp_path / "plans").exists()
    (tmp_path / "plans").write_text("a file")
    with pytest.raises(OutputError, match="what was measured could not be kept") as told:
        keep_measured(kept, "A", "k", heard)
    assert "Nothing else is lost; the next run will measure again." in str(told.value)


# ------------------------------------------------------------------ through the command


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A session of two stems and a take."""
    stems = tmp_path / "stems"
    stems.mkdir()
    for seed, name in ((1, "a.wav"), (2, "b.wav"), (3, "a2.wav")):
        write_line(stems / name, seed=seed)
    path = tmp_path / "job" / "session.yaml"
    path.parent.mkdir()
    path.write_text(
        "version: 1\nsong: Tarn Row\naudio_folder: ../stems\npitch_reference: {a4_hz: 440.0}\n"
        "stems:\n"
        "  - {code: GTR, file: a.wav, role: fretted, takes: [{file: a2.wav, label: take 2}]}\n"
        "  - {code: EGL, file: b.wav, role: fretted}\n"
    )
    return path


def plan(session: Path, *more: str) -> dict[str, bytes]:
    assert main(["plan", str(session), *more]) in (0, 1)
    latest = max(session.parent.glob("plan_*"))
    return {p.name: p.read_bytes() for p in sorted(latest.iterdir())}


def test_a_second_run_listens_to_nothing_and_writes_the_same(
    session: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With what is kept, without it, and in one process or two, every byte of the plan is equal."""
    plan(session)
    told = capsys.readouterr().err
    assert "heard GTR: 3 notes" in told
    assert sorted(p.name for p in (session.parent / "measured_notes/session").iterdir()) == [
        "EGL.npz", "GTR.npz", "GTR_take_1.npz", "own_figures.json",
    ]  # fmt: skip
    anew = plan(session, "--measure-anew", "--jobs", "2")

    def no_more(*_: object) -> None:
        raise AssertionError("it listens again")

    with monkeypatch.context() as patch:
        patch.setattr("planner.edges.listening.hear_stem", no_more)
        again = plan(session, "--jobs", "1")
        told = capsys.readouterr().err
        assert "as measured before GTR: 3 notes" in told
        assert "as measured before take 2 of GTR: 3 notes" in told
        assert main(["inspect", str(session)]) in (0, 1)
    assert again == anew


def test_what_is_heard_once_more_without_bleed_is_kept_beside(
    session: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A guitar with another 14 dB under it is heard twice, and neither in the next run."""
    text = session.read_text()
    session.write_text(text.replace(", takes: [{file: a2.wav, label: take 2}]", ""))
    stems = session.parent.parent / "stems"
    guitar = played(20, 10 * (196.0, 220.5, 262.0))
    other = played(21, 6 * (110.0, 146.5, 164.5, 130.5, 98.0))
    leak = np.concatenate([np.zeros(400), other[:-400]]) * 10 ** (-14 / 20)
    for name, samples in (("a.wav", guitar + leak), ("b.wav", other)):
        soundfile.write(stems / name, samples, SR, subtype="PCM_24")
    first = plan(session, "--jobs", "1")
    told = capsys.readouterr().err
    assert "heard GTR without what leaks in: 30 notes" in told
    assert "heard EGL without" not in told
    kept = session.parent / "measured_notes" / "session"
    assert {"EGL.npz", "GTR.npz", "GTR_again.npz"} <= {p.name for p in kept.iterdir()}
    with monkeypatch.context() as patch:
        patch.setattr(
            "planner.edges.listening.hear_stem", lambda *_: pytest.fail("it listens again")
        )
        assert plan(session, "--jobs", "1") == first
        assert "as measured before GTR without what leaks in" in capsys.readouterr().err


def inspected(session: Path, capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    capsys.readouterr()
    assert main(["inspect", str(session)]) in (0, 1)
    told = capsys.readouterr()
    return told.out, told.err


def test_what_is_inspected_is_listened_to_once(
    session: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A second inspection, and the plan, listen to no stem and no linked file again."""
    write_line(session.parent.parent / "stems" / "amp.wav", seed=4)
    text = session.read_text().replace("b.wav, role", "b.wav, linked: [amp.wav], role")
    session.write_text(text)
    said, _ = inspected(session, capsys)
    assert not list(session.parent.glob("plan_*"))
    assert sorted(p.name for p in (session.parent / "measured_notes/session").iterdir()) == [
        "EGL.npz", "EGL_linked_1.npz", "GTR.npz",
    ]  # fmt: skip
    with monkeypatch.context() as patch:
        patch.setattr(
            "planner.edges.listening.hear_stem", lambda *_: pytest.fail("it listens again")
        )
        again, told = inspected(session, capsys)
        assert again == said
        assert "as measured before amp.wav of EGL: 3 notes" in told
    plan(session)
    told = capsys.readouterr().err
    assert "as measured before EGL" in told
    assert "heard take 2 of GTR" in told


def test_what_changes_while_it_is_inspected_is_not_kept(
    session: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that another program writes meanwhile is told about as read, and kept by no name."""
    hear = planner.edges.listening.hear_stem

    def meanwhile(spec: StemSpec, path: Path, *more: object) -> HeardStem:
        heard = hear(spec, path, *more)  # type: ignore[arg-type]
        if spec.code == "EGL":
            write_line(path, seed=11)
        return heard

    monkeypatch.setattr(planner.edges.listening, "hear_stem", meanwhile)
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    inspected(session, capsys)
    names = [p.name for p in (session.parent / "measured_notes" / "session").iterdir()]
    assert names == ["GTR.npz"]


def test_each_file_is_summed_once_before_it_is_heard(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once for its key and what is told of it, once to keep its notes, then around the writing."""
    counts: Counter[str] = Counter()

    def counting(path: Path) -> str:
        counts[path.name] += 1
        return sha256_of(path)

    for room in (
        "planner.edges.listening",
        "planner.edges.opening",
        "planner.run",
        "planner.files.audio",
    ):
        monkeypatch.setattr(f"{room}.sha256_of", counting)
    plan(session, "--jobs", "1")
    assert counts == {"a.wav": 4, "b.wav": 4, "a2.wav": 4}


def test_measuring_anew_reads_and_keeps_nothing(session: Path) -> None:
    """--measure-anew leaves no folder behind, and does not look into one."""
    plan(session, "--measure-anew")
    assert not (session.parent / "measured_notes").exists()
    plan(session)
    place = session.parent / "measured_notes" / "session" / "GTR.npz"
    place.write_bytes(b"broken")
    plan(session, "--measure-anew")
    assert place.read_bytes() == b"broken"


def test_what_changed_is_measured_again(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A changed file, and a role that an answer changed, are listened to; the rest is not."""
    plan(session)
    write_line(session.parent.parent / "stems" / "b.wav", seed=9)
    capsys.readouterr()
    plan(session)
    told = capsys.readouterr().err
    assert "heard EGL" in told
    assert "as measured before GTR" in told
    session.write_text(session.read_text().replace("b.wav, role: fretted", "b.wav, role: bowed"))
    plan(session)
    assert "heard EGL" in capsys.readouterr().err


def test_a_broken_file_is_measured_again_and_mended(
    session: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A broken file is told by name, the plan is the same, and the file is whole again."""
    plan(session)
    place = session.parent / "measured_notes" / "session" / "GTR.npz"
    whole = place.read_bytes()
    good = plan(session)
    place.write_bytes(whole[:-100])
    capsys.readouterr()
    assert plan(session) == good
    told = capsys.readouterr().err
    assert "GTR.npz: what was measured before cannot be read. It is measured again." in told
    assert place.read_bytes() == whole


def test_a_full_disk_costs_no_plan(
    session: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where nothing can be kept, the plan stands and one line says so."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(measured_notes, "put_whole", full)
    plan(session)
    told = capsys.readouterr().err
    assert "what was measured could not be kept: No space left on device" in told
    assert "decided before any answer could not be kept: No space left on device" in told
    assert list((session.parent / "measured_notes" / "session").iterdir()) == []


def test_the_place_follows_the_plans(session: Path, tmp_path: Path) -> None:
    """Two sessions in one folder of plans keep apart; --out takes the notes along."""
    out = tmp_path / "elsewhere"
    assert main(["plan", str(session), "--out", str(out), "--quiet"]) in (0, 1)
    assert (out / "measured_notes" / "session" / "GTR.npz").exists()
    assert not (session.parent / "measured_notes").exists()
    other = kept_notes(out, Path("other.yaml"), usual=out, audio=())
    assert (other.folder, other.elsewhere) == (out / "measured_notes" / "other", ())
    before = sha256_of(out / "measured_notes" / "session" / "GTR.npz")
    assert main(["plan", str(session), "--out", str(out), "--quiet"]) in (0, 1)
    assert sha256_of(out / "measured_notes" / "session" / "GTR.npz") == before


def test_what_an_inspection_heard_counts_wherever_plans_go(
    session: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`plan --out` finds what was kept beside the session file, and keeps nothing there itself."""
    session.write_text(session.read_text().replace(", takes: [{file: a2.wav, label: take 2}]", ""))
    assert main(["inspect", str(session)]) in (0, 1)
    before = sha256_of(session.parent / "measured_notes" / "session" / "GTR.npz")
    monkeypatch.setattr(
        "planner.edges.listening.hear_stem", lambda *_: pytest.fail("it listens again")
    )
    assert main(["plan", str(session), "--out", str(tmp_path / "elsewhere")]) in (0, 1)
    assert "as measured before GTR: 3 notes" in capsys.readouterr().err
    assert sha256_of(session.parent / "measured_notes" / "session" / "GTR.npz") == before


def test_an_interrupted_run_keeps_what_it_has_heard(
    session: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Stopped at the second stem, the next run knows the first."""

    def stopped(spec: StemSpec, *more: Any) -> HeardStem:
        if spec.code == "EGL":
            raise KeyboardInterrupt
        return hear_stem(spec, *more)

    with monkeypatch.context() as patch:
        patch.setattr("planner.edges.listening.hear_stem", stopped)
        assert main(["plan", str(session), "--jobs", "1"]) == 130
    assert not list(session.parent.glob("plan_*"))
    capsys.readouterr()
    plan(session, "--jobs", "1")
    told = capsys.readouterr().err
    assert "as measured before GTR: 3 notes" in told
    assert "heard EGL" in told
