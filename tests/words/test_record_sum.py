"""One sum for equal values, another for any other."""

import hashlib
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.words.record_sum import sum_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """A record with something of everything."""

    name: str = "a"
    size: float = 1.5
    share: Fraction = Fraction(1, 3)
    line: object = None
    by_name: object = None
    inside: object = ()


PLAIN = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text()
VALUES = st.recursive(
    PLAIN, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4)
)


def test_a_sum_is_sha_256_over_what_is_inside() -> None:
    """By hand: a sequence of one text, each piece with its length before it (FIPS 180-4)."""
    by_hand = hashlib.sha256(b"10:sequence 16:text a").hexdigest()
    assert sum_of("a") == by_hand


def test_equal_values_have_one_sum() -> None:
    """Numbers of numpy and of a file, mappings and sets in any order, and copies count alike."""
    line = np.array([1.0, 2.5])
    one = Thing(size=np.float64(0.1), line=line, by_name={"a": 1, "b": 2}, inside=frozenset("xy"))  # type: ignore[arg-type]
    other = Thing(size=0.1, line=line.copy(), by_name={"b": 2, "a": 1}, inside=frozenset("yx"))
    assert sum_of(one) == sum_of(other)
    assert sum_of(np.int64(3), np.bool_(True)) == sum_of(3, True)
    assert sum_of(line[::-1]) == sum_of(line[::-1].copy())


@pytest.mark.parametrize(
    "change",
    [
        {"name": "b"}, {"size": 1.5000000000000002}, {"share": Fraction(1, 4)}, {"line": ()},
        {"line": np.array([1.0])}, {"inside": (1,)}, {"by_name": {}}, {"by_name": {"a": 1}},
    ],
)  # fmt: skip
def test_any_other_value_is_another_sum(change: dict[str, object]) -> None:
    """The last bit of a number counts, and so does the shape of what holds it."""
    assert sum_of(replace(Thing(), **change)) != sum_of(Thing())  # type: ignore[arg-type]


def test_what_reads_alike_is_told_apart() -> None:
    """Numbers and their texts, and the same pieces nested another way, are not the same."""
    alike = [(1,), (1.0,), ("1",), (True,), ("int 1",), ((1,),), (1, ()), ((), 1), ("ab",),
             ("a", "b"), (("a",), "b"), ("a", ("b",)), (np.array([1]),), (np.array([[1]]),),
             (np.array([1.0]),)]  # fmt: skip
    assert len({sum_of(*one) for one in alike}) == len(alike)


@given(one=VALUES, other=VALUES)
def test_sums_are_equal_where_the_values_are(one: object, other: object) -> None:
    """Over any values: as Python writes them, so they are summed."""
    assert (sum_of(one) == sum_of(other)) == (repr(_ordered(one)) == repr(_ordered(other)))


def _ordered(value: object) -> object:
    if isinstance(value, dict):
        return sorted((k, repr(_ordered(v))) for k, v in value.items()), "mapping"
    return [_ordered(one) for one in value] if isinstance(value, list) else value


def test_what_cannot_be_summed_is_refused() -> None:
    """An object that hides its values does not pass as equal to another."""
    with pytest.raises(TypeError, match="no sum is known of object"):
        sum_of([object()])
    with pytest.raises(TypeError, match="no sum is known of ndarray"):
        sum_of(np.array([object()]))
