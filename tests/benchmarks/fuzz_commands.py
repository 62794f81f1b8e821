"""Damaged score files given to the commands, as a user would: no traceback, no hang, nothing half.

    python -m tests.benchmarks.fuzz_commands [--count N] [--seed N] [--seconds N] [--processes]

Spoils files as `fuzz_scores` does and runs a command on each, by turns `assess`, `pedals`,
`reduce`, `rewrite` and `ladder`, each into an empty folder. What must hold: exit code 0, 1 or 2;
with 2 one line on standard error that starts with `Error:` and an empty folder; with 0 or 1 every
output whole (XML that parses, JSON that parses, pages that end); no temporary file left; the
input's bytes as they were. `--processes` starts the program anew each time instead of calling it in
this process (where kern, ABC and MEI are converted in this process too).
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from unittest import mock

from simplify import cli
from simplify.score import read
from simplify.score.source import load_document
from tests.benchmarks.fuzz_scores import in_process, seeds, spoilt
from tests.support_formats import FORMATS

ENDINGS = {"humdrum": ".krn", "abc": ".abc", "mei": ".mei"}

COMMANDS = (
    ("assess", "IN", "--json"), ("pedals", "IN", "--out", "OUT/pedals.musicxml"),
    ("assess", "IN", "--tier", "school", "--report", "OUT/loads.html"),
    ("reduce", "IN", "--tier", "school", "--seconds", "1", "--workers", "1", "--part", "all",
     "--out", "OUT/harp.musicxml"),
    ("assess", "IN"),
    ("rewrite", "IN", "--tier", "school", "--seconds", "1", "--workers", "1", "-n", "1",
     "--out", "OUT/easier"),
    ("pedals", "IN", "--plan", "--fingering", "--out", "OUT/pedals.musicxml"),
    ("ladder", "IN", "--tiers", "school,beginner", "--out", "OUT/versions"),
)


def inside(arguments: list[str]) -> tuple[int, str, str]:
    """(exit code, standard output, standard error) of the program in this process."""
    out, err = io.StringIO(), io.StringIO()
    old, sys.argv = sys.argv, ["gentler", *arguments]
    code: object = 0
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            cli.main()
    except SystemExit as stop:
        code = stop.code or 0
    finally:
        sys.argv = old
    return int(code) if isinstance(code, int) else 99, out.getvalue(), err.getvalue()


def outside(arguments: list[str], seconds: int) -> tuple[int, str, str]:
    """The same of a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "simplify.cli", *arguments], capture_output=True, text=True,
        timeout=10 * seconds, check=False,
    )
    return done.returncode, done.stdout, done.stderr


def fault(
    command: tuple[str, ...], code: int, out: str, err: str, folder: Path
) -> str:
    """What is wrong with a run, or empty."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    if code not in (0, 1, 2):
        return f"exit code {code}"
    if "Traceback" in out + err:
        return f"traceback: {err.strip().splitlines()[-1]}"
    if any(path.name.startswith(".") for path in files):
        return "a temporary file is left"
    if code == 2:
        lines = [line for line in err.splitlines() if not line.startswith("note:")]
        if len(lines) != 1 or not lines[0].startswith("Error: ") or len(lines[0]) > 700:
            return f"not one clear line: {err[:300]!r}"
        return f"refused, but wrote {files[0].name}" if files else ""
    if "--json" in command:
        json.loads(out)
    wanted = [word for word in command if word.startswith("OUT/")]
    if any(not (folder / word[4:]).exists() for word in wanted):
        return "an output is missing"
    for path in files:
        text = path.read_bytes()
        if path.suffix == ".musicxml":  # in the encoding that the source declares, if any
            load_document(text, path.name)
        elif path.suffix == ".json":
            json.loads(text)
        elif path.suffix == ".pdf":
            if not (text.startswith(b"%PDF-") and text.rstrip().endswith(b"%%EOF")):
                return f"{path.name} is not whole"
        elif not text.rstrip().endswith(b"</html>"):
            return f"{path.name} does not end"
    return ""


def one(index: int, seed: int, files: list[bytes], options: argparse.Namespace) -> tuple[str, str]:
    """(what happened, what is wrong) with damaged file number `index`."""
    formats = index % 10 == 9
    damage, raw = spoilt(index // 10 if formats else index, seed, files, formats)
    ending = ENDINGS[list(FORMATS)[index // 10 % 3]] if formats else (
        ".mxl" if raw.startswith(b"PK") else ".musicxml"
    )
    command = COMMANDS[index % len(COMMANDS)]
    with tempfile.TemporaryDirectory() as home:
        source, folder = Path(home) / f"spoilt{ending}", Path(home) / "out"
        source.write_bytes(raw)
        folder.mkdir()
        arguments = [
            str(source) if word == "IN" else word.replace("OUT", str(folder), 1)
            if word.startswith("OUT/") else word for word in command
        ]
        code, out, err = (
            outside(arguments, options.seconds) if options.processes else inside(arguments)
        )
        wrong = fault(command, code, out, err, folder)
        if source.read_bytes() != raw:
            wrong = "the input was changed"
    return f"{command[0]} {code}", f"{damage}, {' '.join(command)}: {wrong}" if wrong else ""


def _too_long(*_: object) -> None:
    raise TimeoutError("took too long")


def main() -> None:
    """Runs the commands and counts what happens."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--seconds", type=int, default=60, help="of processor time for one file")
    parser.add_argument("--processes", action="store_true")
    options = parser.parse_args()
    mock.patch.object(read, "converted", in_process).start()
    signal.signal(signal.SIGVTALRM, _too_long)
    files = [raw for raw in seeds() if len(raw) < 40_000]
    seen: Counter[str] = Counter()
    bad = 0
    slowest = (0.0, -1)
    for index in range(options.start, options.start + options.count):
        began = time.process_time()
        signal.setitimer(signal.ITIMER_VIRTUAL, options.seconds)
        try:
            what, wrong = one(index, options.seed, files, options)
        except Exception as error:
            what, wrong = "stopped", f"{type(error).__name__}: {str(error)[:300]}"
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        slowest = max(slowest, (time.process_time() - began, index))
        seen[what] += 1
        if wrong:
            bad += 1
            print(f"{index}: {wrong}", flush=True)
    for what, count in sorted(seen.items()):
        print(f"{what:12s} {count}")
    print(f"{options.count} files, {bad} faults, slowest {slowest[0]:.1f} s (number {slowest[1]})")


if __name__ == "__main__":
    main()
