"""Corrected notes that other stems still hold as they were recorded."""

from dataclasses import replace

from planner.check import Ghost, ghosts_left
from planner.compare.note_pairs import Pair, Reading
from planner.pitch import shift_hz


def pair(k: int, moved: float, *heard_in: tuple[str, float]) -> Pair:
    """Note k of a voice, moved by so many cents, heard in other stems."""
    then = Reading(
        id=f"LV-{k:04d}", stem="LV", start_s=float(k), end_s=k + 0.8, pitch_hz=220.0,
        sustain_hz=220.0, uncertainty_cents=0.3, heard_in=heard_in,
    )  # fmt: skip
    hz = shift_hz(220.0, moved)
    return Pair(then=then, now=replace(then, id=f"LV.{k}", pitch_hz=hz, sustain_hz=hz))


def test_moved_notes_that_leak_are_counted() -> None:
    """By the stem they leak into, with the loudest leak and the largest move."""
    pairs = (
        pair(1, 16.0, ("OH", -18.0), ("PNO", -34.0)),
        pair(2, -21.0, ("OH", -22.0)),
        pair(3, 0.4, ("OH", -12.0)),  # not moved
        pair(4, 12.0),  # leaks nowhere
    )
    assert ghosts_left(pairs) == (
        Ghost(stem="LV", held_in="OH", notes=2, loudest_db=-18.0, most_cents=-21.0),
        Ghost(stem="LV", held_in="PNO", notes=1, loudest_db=-34.0, most_cents=16.0),
    )


def test_the_edge_of_a_move() -> None:
    """3 cents are a move, less is none: as everywhere in the check."""
    assert ghosts_left((pair(1, 3.0, ("OH", -18.0)),)) != ()
    assert ghosts_left((pair(1, 2.9, ("OH", -18.0)),)) == ()
