"""A long stem by the piece, so that memory stays flat: frames, and what is made of its samples.

Beside it stretches of frames, and the highest around each.
"""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.model import Floats

# What 512 frames take is not given back to the system between blocks: in blocks of 2048 a stem of
# four minutes took 60 000 to 100 000 fresh pages of memory more, 0.2 to 0.6 s of 5
# (`tests.bench.speed`). In blocks of 256, calls on short arrays take 0.05 s more.
_BLOCK_FRAMES = 512
_PIECE_S = 300.0  # chosen: 20 MB at 16 kHz
_EDGE_S = 0.25  # chosen: by then a filter has forgotten the cut


class ByThePiece:
    """A stem at a lower rate, or through a filter, made some minutes of it at a time.

    Whole, it would take as much memory again as the stem. A piece begins with the span that is
    asked for and not in the one before: spans are best asked for in order of time.

    samples : (n,) at ``sr``
    made : what becomes of samples, one of ``divisor``
    """

    def __init__(
        self, samples: Floats, sr: int, made: Callable[[Floats], Floats], *, divisor: int = 1
    ) -> None:
        self._samples, self._sr, self._made, self._divisor = samples, sr // divisor, made, divisor
        self._first = 0  # of the piece, in samples of its own
        self._piece: Floats = np.zeros(0, dtype=np.float32)

    def __len__(self) -> int:
        return (len(self._samples) + self._divisor // 2) // self._divisor  # as soxr has it

    def __getitem__(self, span: slice) -> Floats:
        first, last, _ = span.indices(len(self))
        if first < self._first or last > self._first + len(self._piece):
            edge = round(_EDGE_S * self._sr)
            start = max(0, first - edge)
            end = max(first + round(_PIECE_S * self._sr), last)
            of = slice(start * self._divisor, (end + edge) * self._divisor)
            self._first = first
            self._piece = self._made(self._samples[of])[first - start : end - start]
        return self._piece[first - self._first : last - self._first]


def frame_blocks(
    samples: Floats | ByThePiece,
    window: int,
    hop: int,
    frames: int,
    *,
    lead: int,
    at_once: int = _BLOCK_FRAMES,
) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Cut a stem into frames, silence before its first sample and after its last.

    samples : (n,)
    window, hop : length of a frame and distance of two, samples
    frames : how many
    lead : samples by which frame 0 begins before sample 0; half a window centres it there
    at_once : frames of a block

    Yields
    ------
    Number of the first frame of a block, and the block as (k, window); the frames overlap in
    memory and are not to be written to.
    """
    for first in range(0, frames, at_once):
        count = min(at_once, frames - first)
        start = first * hop - lead
        stop = start + (count - 1) * hop + window
        piece = np.zeros(stop - start, dtype=np.float32)
        lo, hi = max(start, 0), min(stop, len(samples))
        if hi > lo:
            piece[lo - start : hi - start] = samples[lo:hi]
        view = np.lib.stride_tricks.sliding_window_view(piece, window)[::hop]
        yield first, view[:count]


def highest_near(values: Floats, before: int, after: int) -> Floats:
    """Highest of each value, so many before it and so many after it, or as many as there are.

    By maxima over 1, 2, 4 values and so on, of which two make up any width.
    """
    width, have = before + after + 1, 1
    highest: Floats = values.take(np.arange(-before, len(values) + after), mode="clip")
    while 2 * have <= width:
        highest = np.maximum(highest[:-have], highest[have:])
        have *= 2
    return np.maximum(highest[: len(values)], highest[width - have :])


def highest_of_three(rows: NDArray[Any]) -> NDArray[Any]:
    """Highest of each value and of its neighbours along a row; (n, k)."""
    highest = rows.copy()
    np.maximum(highest[:, 1:], rows[:, :-1], out=highest[:, 1:])
    np.maximum(highest[:, :-1], rows[:, 1:], out=highest[:, :-1])
    return highest


def stretches(holds: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Give the stretches of frames in which something holds, first and half-open last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], holds.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
