"""Are the notes of sung words found? ``python -m tests.bench.singing``.

Note F1 of MIREX, as `tests.bench.waveguides` has it, on voices that are a glottis and a tract
(`tests.tones.singing`), dry and in a room of 0.6 s, and how many firm notes are none.
"""

import argparse
import warnings

from tests.bench.waveguides import scores, told
from tests.tones.singing import SINGERS, sung_words

ROOM_S = 0.6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(1, 4), metavar=("FIRST", "LAST"))
    first, last = parser.parse_args().seeds
    warnings.simplefilter("ignore")
    for singer in SINGERS:
        lines = {seed: sung_words(singer, seed) for seed in range(first, last + 1)}
        for place, room_s in (("dry", None), ("room", ROOM_S)):
            got = [scores(m, room_s=room_s, seed=s) for s, m in lines.items()]
            print(f"{singer:8s} {place:4s} {told(got)}")


if __name__ == "__main__":
    main()
