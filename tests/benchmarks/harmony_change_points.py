"""Change points of harmony against all published analyses of music21's corpus.

    python -m tests.benchmarks.harmony_change_points

Prints precision, recall and F1 of ours and of the baselines, for the pieces that chords.toml was
fitted on (every second one) and for the others. Pieces whose score and analysis don't lie on each
other (editions that number their bars differently) are left out and counted.
"""

from __future__ import annotations

from tests.support_corpus import (
    alignment,
    analysed,
    change_points,
    f_score,
    marked_points,
    predicted_points,
)

NAMES = (
    *(f"bach/choraleAnalyses/riemenschneider{n:03d}" for n in range(1, 21)),
    *(f"monteverdi/madrigal.{b}.{n}" for b in (3, 4) for n in range(1, 21)),
    *(f"monteverdi/madrigal.5.{n}" for n in range(1, 9)),
)
ALIGNED = 0.85


def main() -> None:
    """Reads everything, prints the table."""
    rows: dict[tuple[str, str, str], list[int]] = {}
    kept = left_out = 0
    for name in NAMES:
        part, analysis = analysed(name)
        if alignment(part, analysis) < ALIGNED:
            left_out += 1
            continue
        fitted = "fitted on" if kept % 2 else "not fitted on"
        kept += 1
        wanted = change_points(analysis, part)
        for how, found in (
            ("ours", predicted_points(part)),
            ("every beat", marked_points(part, beats=True)),
            ("every bar", marked_points(part, beats=False)),
        ):
            row = rows.setdefault((name.split("/")[0], fitted, how), [0, 0, 0])
            for at, value in enumerate((len(found & wanted), len(found), len(wanted))):
                row[at] += value
    print(f"{kept} pieces, {left_out} left out")
    for (composer, fitted, how), (agree, ours, theirs) in sorted(rows.items()):
        print(
            f"{composer:11} {fitted:14} {how:11} precision {agree / ours:.3f} "
            f"recall {agree / theirs:.3f} F1 {f_score(agree, ours, theirs):.3f}"
        )


if __name__ == "__main__":
    main()
