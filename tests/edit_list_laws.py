"""What every edit list keeps to, whatever session it was made from.

The laws are those of the list's own description in README: rules first, then single notes in play
order; the three forms of a move say the same; a span ends after it begins.
"""

from itertools import pairwise
from typing import Any

import numpy as np

MOVES = (
    "raise-lower", "whole-part", "tuning-span", "every-same-pitch", "short-notes", "start-only",
    "hold-end", "steady", "shape",
)  # fmt: skip
KINDS = ("rule", "note", "question", "advice")
AGREE_CENTS = 1.0  # where several forms of one move are given
SECONDS_DECIMAL = 1e-4
FIRST_SPLIT_S = 0.04  # never split inside the first 40 ms of a note: common practice, no source


def broken_laws(data: dict[str, Any]) -> list[str]:
    """Name every row that breaks a law, with the law; none where all is well."""
    rows = data["rows"]
    told = [f"{row['id']}: {law}" for row in rows for law in _of_a_row(row)]
    for one, two in pairwise(rows):
        if KINDS.index(one["kind"]) > KINDS.index(two["kind"]):
            told.append(f"{two['id']}: a {two['kind']} behind a {one['kind']}")
        alone = one["kind"] == two["kind"] == "note" and one["stem"] == two["stem"]
        if alone and (one["start_s"] or 0.0) > (two["start_s"] or 0.0):
            told.append(f"{two['id']}: played before {one['id']}, which stands above it")
    stems = [row["stem"] for row in rows if row["kind"] == "note"]
    blocks = [stem for k, stem in enumerate(stems) if k == 0 or stems[k - 1] != stem]
    if len(blocks) != len(set(blocks)):
        told.append("notes of one stem stand in two places")
    return told


def _of_a_row(row: dict[str, Any]) -> list[str]:
    told = []
    placed = row["start_smp"] is not None and row["end_smp"] is not None
    if placed and not 0 <= row["start_smp"] < row["end_smp"]:
        told.append("its span is empty")
    if placed and row["end_s"] > 0:
        smp_per_s = row["end_smp"] / row["end_s"]
        apart = abs(row["start_smp"] - row["start_s"] * smp_per_s)
        if apart > 1 + SECONDS_DECIMAL * smp_per_s:
            told.append("its samples and its seconds are two places")
    told += _of_a_moved_note(row) if row["kind"] == "note" and row["action"] in MOVES else []
    if not row["points"]:
        return told
    length_s = row["end_s"] - row["start_s"]

    def at(time_s: float) -> float:
        return float(np.interp(time_s, *zip(*row["points"], strict=True)))

    if not all(one[0] < two[0] for one, two in pairwise(row["points"])):
        told.append("its points do not go forward")
    if row["points"][-1][0] > round(length_s, 4) + 1e-4:
        told.append("its points go on behind its end")
    one_number = row["add_cents"]
    if one_number is not None and max(abs(c - one_number) for _, c in row["points"]) > AGREE_CENTS:
        told.append("one number says another move than the points")
    if row["cut_s"] is not None:
        cut_s = row["cut_s"] - row["start_s"]
        if not 0.0 < cut_s < length_s:
            told.append("its cut lies outside of it")
        if abs(at(0.0) - row["onset_add_cents"]) > AGREE_CENTS:
            told.append("the number before the cut says another onset than the points")
        # The sustain is read behind both joins of the cut.
        if abs(at((cut_s + length_s) / 2) - row["sustain_add_cents"]) > AGREE_CENTS:
            told.append("the number behind the cut says another sustain than the points")
        if round(cut_s, 4) < FIRST_SPLIT_S:
            told.append("it is cut inside its first 40 ms")
    level = abs(at(0.0) - at(length_s)) <= AGREE_CENTS
    if level and one_number is None and row["cut_s"] is None:
        told.append("one number would do, and it has none")
    return told


def _of_a_moved_note(row: dict[str, Any]) -> list[str]:
    told = []
    if row["crossfade_in_ms"] is None or row["crossfade_out_ms"] is None:
        told.append("nobody says how long its blends are")
    by_hand = "by hand" in row["in_words"]
    if row["add_cents"] is None and not by_hand and "needs points" not in row["reason"]:
        told.append("it has no one number, and does not say that it needs points")
    whole = row["action"] == "raise-lower" and row["add_cents"] is not None
    if whole and row["heard_cents"] is not None and row["remaining_cents"] is not None:
        left = row["heard_cents"] + row["add_cents"]
        if abs(left - row["remaining_cents"]) > AGREE_CENTS:
            told.append("what it leaves is not what is heard and what is added")
    return told
