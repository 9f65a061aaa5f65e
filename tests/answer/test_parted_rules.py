"""Rules over locked and unlocked notes: parted, frozen where locked, free elsewhere."""

import csv
from dataclasses import replace
from pathlib import Path

import yaml

from planner.answer.answers import Entry, Ruling
from planner.answer.ledger import Known
from planner.answer.parted_rules import parted
from planner.answer.ruled_rows import Recalled
from planner.answer.ruled_rules import outside_locks
from planner.cli import main
from planner.scope.scope_rule import ScopeRule
from tests.edges.test_answering import SESSION, rows, run, write_stem
from tests.invented_plan import RULE, row

COVERS = ("LV-0001", "LV-0002", "LV-0003")
HELD = {"LV-0001": "bars 1-2 locked by Ed", "LV-0002": "bars 1-2 locked by Ed"}


def rule(**more: object) -> object:
    base = replace(
        RULE, id="R-001", stem="LV", scope="part", action="whole-part", covers=COVERS,
        notes_covered=3, add_cents=-8.2, in_words="lower by 8.2", state="approved",
        reason="the part sits 8.5 sharp", locked=False, start_s=0.5, end_s=9.0,
    )  # fmt: skip
    return replace(base, **more)


def note(note_id: str) -> object:
    return replace(
        row(id=note_id), covers=(note_id,), layers=(("R-001", -8.2), ("R-0010", 1.0)),
        in_words="lower by 4, after R-001", reason="sharp beyond R-001",
    )  # fmt: skip


def recalled(*last: object, **more: object) -> Recalled:
    known = (("R-004", "rule", "BAS"), ("LV-0001", "note", "LV"))
    ledger = tuple(Known(id=k, kind=kind, stem=stem) for k, kind, stem in known)  # type: ignore[arg-type]
    given = Recalled(ledger=ledger, rulings={}, last_rows=last, held=HELD)  # type: ignore[arg-type]
    return replace(given, **more)  # type: ignore[arg-type]


def test_a_rule_over_both_is_parted() -> None:
    """The locked notes keep it under a new id; the note rows under the lock name that id."""
    inside, outside = note("LV-0001"), note("LV-0003")
    frozen = Ruling(id="LV-0001", locked=True, frozen=inside, entry=Entry(id="LV-0001"))  # type: ignore[arg-type]
    done, told = parted(recalled(rule(), inside, outside, rulings={"LV-0001": frozen}))
    own = done.rulings["R-005"].frozen
    assert own is not None
    assert (own.covers, own.notes_covered, own.add_cents) == (("LV-0001", "LV-0002"), 2, -8.2)
    assert (own.scope, own.action, own.state, own.locked) == (
        "span", "tuning-span", "approved", True,
    )  # fmt: skip
    assert own.reason == ("bars 1-2 locked by Ed: as it stood in R-001: the part sits 8.5 sharp")
    assert "R-001" not in done.rulings
    assert [k.covers for k in done.ledger if k.id == "R-005"] == [("LV-0001", "LV-0002")]
    after = {r.id: r for r in done.last_rows}
    moved = after["LV-0001"]
    assert moved.layers == (("R-005", -8.2), ("R-0010", 1.0))
    assert (moved.in_words, moved.reason) == ("lower by 4, after R-005", "sharp beyond R-005")
    assert after["LV-0003"] == outside
    assert done.rulings["LV-0001"].frozen == moved
    assert [f.what for f in told] == ["R-001 covers 2 notes in bars 1-2 locked by Ed."]
    assert told[0].did == (
        "They stay as they stood, in R-005 (lower by 8.2); R-001 goes on without them, over the "
        "other 1."
    )


def test_a_rule_of_locked_notes_alone_is_frozen_whole() -> None:
    """Its own id stays, also where its last note rings on past the lock; what was said stays."""
    said = Ruling(id="R-001", state="approved", comment="yes", entry=Entry(id="R-001"))
    only = rule(covers=COVERS[:2])
    done, told = parted(recalled(only, rulings={"R-001": said}))
    ruling = done.rulings["R-001"]
    assert (ruling.state, ruling.comment, ruling.locked) == ("approved", "yes", True)
    assert ruling.frozen == replace(only, locked=True)  # type: ignore[type-var]
    assert told == ()


def test_what_is_not_parted() -> None:
    """Rules that move nothing, are frozen themselves, or lie outside of every lock."""
    for one in (rule(action="leave"), rule(state="orphan"), rule(covers=("LV-0003",))):
        given = recalled(one)
        assert parted(given) == (given, ())
    frozen = Ruling(id="R-001", locked=True, frozen=rule(), entry=Entry(id="R-001"))  # type: ignore[arg-type]
    given = recalled(rule(), rulings={"R-001": frozen})
    assert parted(given) == (given, ())


def test_rules_are_kept_away_from_locked_notes() -> None:
    """Whatever is found anew loses them, and says so; without any note left it is none."""
    found = ScopeRule(
        stem="LV", action="whole-part", scope="part", covers=COVERS, bias_cents=8.5,
        add_cents=-8.2, uncertainty_cents=0.5, name="whole part", reason="so",
    )  # fmt: skip
    (kept,) = outside_locks([found], HELD)
    assert (kept.covers, kept.reason) == (
        ("LV-0003",),
        "so; 2 notes are not in it: bars 1-2 locked by Ed",
    )
    assert outside_locks([replace(found, covers=COVERS[:2])], HELD) == ()
    assert outside_locks([found], {}) == (found,)


PITCHES = (64, 67, 69, 71, 67, 64, 69, 71)


def sharp(first: float, rest: float) -> tuple[tuple[int, float], ...]:
    return tuple((midi, first if k < 3 else rest) for k, midi in enumerate(PITCHES))


def test_a_lock_over_bars_holds_while_the_rest_of_the_rule_moves_on(tmp_path: Path) -> None:
    """Bar 1 keeps what stood there; the rule over the other bars follows the new recording.

    And after the lock is taken away all is one rule again.
    """
    (tmp_path / "audio").mkdir()
    (tmp_path / "session.yaml").write_text(
        SESSION.replace("  - {code: BAS, file: bass.wav, role: bass-fretted}\n", "")
    )
    guitar = tmp_path / "audio" / "guitar.wav"
    write_stem(guitar, sharp(12.0, 12.0))
    assert run("plan", tmp_path) in (0, 1)
    (first,) = [r for r in rows(tmp_path, 1) if r["kind"] == "rule"]
    assert (first["action"], first["notes_covered"]) == ("whole-part", 8)
    session = str(tmp_path / "session.yaml")
    assert main(["answer", session, "lock EGL bar 1", "--by", "Ed"]) == 0
    write_stem(guitar, sharp(12.0, 18.0))
    for number in (2, 3):  # the same again on the run after
        assert run("plan", tmp_path) in (0, 1)
        by_id = {r["id"]: r for r in rows(tmp_path, number) if r["kind"] == "rule"}
        assert sorted(by_id) == ["R-001", "R-002"]
        old, held = by_id["R-001"], by_id["R-002"]
        assert held["covers"] == ["EGL-0001", "EGL-0002", "EGL-0003"]
        assert (held["add_cents"], held["locked"]) == (first["add_cents"], True)
        assert (held["scope"], held["start_bar"], held["start_s"]) == ("span", 1, first["start_s"])
        assert held["end_s"] < old["start_s"]
        assert old["covers"] == [f"EGL-{k:04d}" for k in range(4, 9)]
        assert old["add_cents"] < first["add_cents"] - 2.0
        assert not old["locked"]
    said = (tmp_path / "plan_02" / "summary.md").read_text(encoding="utf-8")
    assert "R-001 covers 3 notes in EGL bar 1 locked by Ed." in said
    assert "3 notes are not in it: EGL bar 1 locked by Ed" in old["reason"]
    with (tmp_path / "plan_02" / "notes.csv").open(encoding="utf-8", newline="") as file:
        notes = {n["id"]: n for n in csv.DictReader(file)}
    assert notes["EGL-0002"]["reason"].startswith("moved by R-002; ")
    assert main(["answer", session, "unlock EGL bar 1"]) == 0
    assert run("plan", tmp_path) in (0, 1)
    (again,) = [r for r in rows(tmp_path, 4) if r["kind"] == "rule"]
    assert (again["id"], again["notes_covered"]) == ("R-001", 8)
    ledger = (tmp_path / "plan_04" / "ledger.csv").read_text(encoding="utf-8")
    assert "R-002" in ledger  # a serial is never given again
    assert yaml.safe_load((tmp_path / "session.answers.yaml").read_text(encoding="utf-8"))


def test_hands_off_bars_moves_nothing_there(tmp_path: Path) -> None:
    """A rule goes on over the other bars alone, run after run; unlocked it is whole again."""
    (tmp_path / "audio").mkdir()
    (tmp_path / "session.yaml").write_text(
        SESSION.replace("  - {code: BAS, file: bass.wav, role: bass-fretted}\n", "")
    )
    write_stem(tmp_path / "audio" / "guitar.wav", sharp(12.0, 12.0))
    assert run("plan", tmp_path) in (0, 1)
    session = str(tmp_path / "session.yaml")
    assert main(["answer", session, "hands off EGL bar 1", "--by", "Ed"]) == 0
    for number in (2, 3):
        assert run("plan", tmp_path) in (0, 1)
        (rule_row,) = [
            r for r in rows(tmp_path, number) if r["action"] in ("whole-part", "tuning-span")
        ]
        assert rule_row["covers"] == [f"EGL-{k:04d}" for k in range(4, 9)]
        with (tmp_path / f"plan_{number:02d}" / "notes.csv").open(encoding="utf-8") as file:
            notes = {n["id"]: n for n in csv.DictReader(file)}
        assert [notes[f"EGL-{k:04d}"]["total_add_cents"] for k in (1, 2, 3)] == ["", "", ""]
        assert not {r["id"] for r in rows(tmp_path, number)} & {f"EGL-{k:04d}" for k in (1, 2, 3)}
    assert main(["answer", session, "unlock EGL bar 1"]) == 0
    assert run("plan", tmp_path) in (0, 1)
    (again,) = [r for r in rows(tmp_path, 4) if r["kind"] == "rule"]
    assert again["notes_covered"] == 8
    # The whole part, whatever was said of its rule before.
    assert main(["answer", session, "R-001 yes, lock R-001", "--by", "Ann"]) == 0
    assert run("plan", tmp_path) in (0, 1)
    assert main(["answer", session, "hands off EGL", "--by", "Ed"]) == 0
    for number in (6, 7):
        assert run("plan", tmp_path) in (0, 1)
        (left,) = rows(tmp_path, number)
        assert (left["id"], left["action"], left["state"]) == ("R-001", "leave", "refused")
        assert left["reason"].startswith("EGL hands off by Ed: nothing moves it; it was: lower by")
    assert main(["answer", session, "unlock EGL", "--by", "Ed"]) == 0
    assert run("plan", tmp_path) in (0, 1)
    (free,) = rows(tmp_path, 8)
    assert (free["action"], free["state"], free["locked"]) == ("whole-part", "new", False)


def test_a_rule_where_hands_are_off_everywhere_moves_nothing() -> None:
    """It keeps its row, which says so; a lock beside it holds the rest as it stood."""
    off = dict.fromkeys(COVERS, "LV hands off by Ed")
    done, told = parted(recalled(rule(), held=off, still=frozenset(COVERS)))
    frozen = done.rulings["R-001"].frozen
    assert frozen is not None
    assert (frozen.action, frozen.locked, told) == ("leave", True, ())
    assert frozen.reason == "LV hands off by Ed: nothing moves it; it was: lower by 8.2"
    done, _ = parted(recalled(rule(), held=off | HELD, still=frozenset(COVERS[2:])))
    own = done.rulings["R-005"].frozen
    assert own is not None
    assert (own.covers, own.add_cents) == (COVERS[:2], -8.2)
