"""The scenario in examples/: its commands run and print what its README shows."""

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
TEXT = (EXAMPLES / "README.md").read_text("utf-8")
SHOWN = re.findall(r"```console\n\$ gentler ([^\n]*)\n(.*?)\n```", TEXT, re.DOTALL)


def test_there_is_a_command_for_each_kind_of_question():
    assert {shlex.split(command)[0] for command, _ in SHOWN} >= {
        "assess", "rewrite", "pedals", "reduce", "ladder", "class", "duo",
    }


@pytest.mark.parametrize(("command", "printed"), SHOWN, ids=[c[:50] for c, _ in SHOWN])
def test_commands_print_what_is_shown(command: str, printed: str, tmp_path: Path):
    """A reader who types the command must see the same lines."""
    for path in EXAMPLES.iterdir():
        if path.is_dir() and path.name == "players":
            shutil.copytree(path, tmp_path / path.name)
        elif path.is_file():
            shutil.copy(path, tmp_path)
    done = subprocess.run(
        [sys.executable, "-m", "simplify.cli", *shlex.split(command)],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={"PYTHONPATH": str(EXAMPLES.parent), "PATH": "", "PYTHONUTF8": "1"},
    )
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout.rstrip() == printed
