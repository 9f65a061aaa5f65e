"""The ledger's table reads back as it was written, and a broken one is told."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.answer.ledger import Known
from planner.errors import PlannerError
from planner.files.past_plans import ledger_csv, read_ledger

NOTE = Known(
    id="LV-0147", kind="note", stem="LV", midi=74, pitch_hz=581.604, start_s=84.7826,
    end_s=86.1826, here=False, split_from="LV-0101", absorbed_by="LV-0146",
)  # fmt: skip
RULE = Known(
    id="R-001", kind="rule", stem="BAS", scope="part", action="whole-part",
    covers=("BAS-0001", "BAS-0002"),
)  # fmt: skip


def test_golden(tmp_path: Path) -> None:
    """The table as it lies in a plan folder."""
    assert ledger_csv((NOTE, RULE)).decode() == (
        "id,kind,stem,scope,action,midi,pitch_hz,start_s,end_s,covers,here,split_from,"
        "absorbed_by\r\n"
        "LV-0147,note,LV,,,74,581.604,84.7826,86.1826,,no,LV-0101,LV-0146\r\n"
        "R-001,rule,BAS,part,whole-part,,,,,BAS-0001;BAS-0002,yes,,\r\n"
    )
    path = tmp_path / "ledger.csv"
    path.write_bytes(ledger_csv((NOTE, RULE)))
    assert read_ledger(path) == (NOTE, RULE)


NUMBER = st.none() | st.floats(0, 4000).map(lambda x: round(x, 4))
KNOWN = st.builds(
    Known,
    id=st.from_regex(r"[A-Z]{1,3}-[0-9]{4}", fullmatch=True),
    kind=st.sampled_from(["note", "rule", "question", "advice"]),
    stem=st.sampled_from(["LV", "BAS", "-X", "=A"]),
    midi=st.none() | st.integers(0, 127),
    pitch_hz=NUMBER,
    start_s=NUMBER,
    end_s=NUMBER,
    covers=st.lists(st.sampled_from(["LV-0001", "=A-0002"]), max_size=3).map(tuple),
    here=st.booleans(),
    split_from=st.sampled_from(["", "LV-0001", "-X-0001"]),
)


@given(st.lists(KNOWN, max_size=5).map(tuple))
def test_round_trip(tmp_path_factory: pytest.TempPathFactory, ledger: tuple[Known, ...]) -> None:
    """Any ledger reads back equal, also where a stem's code looks like a formula."""
    path = tmp_path_factory.mktemp("plan") / "ledger.csv"
    path.write_bytes(ledger_csv(ledger))
    assert read_ledger(path) == ledger


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (None, "the list of permanent ids is missing"),
        (b"", "is no table of permanent ids"),
        (b"id,kind\r\n", "is no table of permanent ids"),
        (b"\xff\xfe", "is no table of permanent ids"),
        (ledger_csv((NOTE,)).replace(b",74,", b",D5,"), "does not read as an entry"),
        (ledger_csv((NOTE,)).replace(b",no,", b",perhaps,"), "does not read as an entry"),
        (ledger_csv((NOTE,)) + b"x,y\r\n", "does not read as an entry"),
    ],
)
def test_a_broken_ledger_is_told(tmp_path: Path, data: bytes | None, words: str) -> None:
    """Without its ids a plan's answers would speak of other notes, so the run stops."""
    (tmp_path / "plan_01").mkdir()
    path = tmp_path / "plan_01" / "ledger.csv"
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(PlannerError) as told:
        read_ledger(path)
    assert words in str(told.value)
    assert "move plan_01 away" in str(told.value)
