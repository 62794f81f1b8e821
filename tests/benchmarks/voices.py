"""Voices of the four-part chorales of music21's corpus, laid on two staves and parted again.

    python -m tests.benchmarks.voices [--pieces 20]

Prints the share of notes given to the voice they are written in: with soprano and alto on one
staff, tenor and bass on the other, and with all four laid together.
"""

from __future__ import annotations

import argparse

import music21

from tests.support_corpus import note_accuracy, two_staves


def main() -> None:
    """Reads everything, prints the two figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--pieces", type=int, default=0, help="0: all of them")
    options = parser.parse_args()
    paths = [path for path in music21.corpus.getComposer("bach") if path.suffix == ".mxl"]
    right = {"two staves": 0, "one staff": 0}
    total = pieces = 0
    for path in paths:
        if options.pieces and pieces == options.pieces:
            break
        score = music21.corpus.parse(path)
        if len(score.parts) != 4:
            continue
        part = two_staves(score, path.stem)
        pieces += 1
        for staff in (1, 2):
            agree, count = note_accuracy(part, staff)
            right["two staves"] += agree
            total += count
        right["one staff"] += note_accuracy(part, None)[0]
    print(f"{pieces} chorales, {total} notes")
    for name, agree in right.items():
        print(f"{name}: {100 * agree / total:.2f} % of the notes in their voice")


if __name__ == "__main__":
    main()
