"""The shape of the project: import direction, one music21 importer, what the wheel carries."""

import ast
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# Each module may import the modules of its own layer and of those before it.
LAYERS = (
    ("simplify.errors", "simplify.version", "simplify.tables", "simplify.counted"),
    ("simplify.score.model",),
    ("simplify.score", "simplify.harp"),
    ("simplify.technique",),
    ("simplify.difficulty", "simplify.distance", "simplify.figures", "simplify.sense"),
    ("simplify.realise",),
    ("simplify.strategy",),
    ("simplify.search",),
    ("simplify.arrange",),
    ("simplify.report",),
    ("simplify.api",),
    ("simplify.cli",),
)


def modules() -> list[tuple[str, Path]]:
    """(dotted name, file) of every module of the two trees."""
    found = []
    for tree in ("simplify", "strategies"):
        for path in sorted((ROOT / tree).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found.append((".".join(parts[:-1] if parts[-1] == "__init__" else parts), path))
    return found


def imports(path: Path) -> set[str]:
    """Dotted names that a file imports anywhere in it, 'from a.b import c' as a.b.c and a.b."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


def layer(name: str) -> int | None:
    """Index of the layer a module belongs to (longest prefix wins)."""
    best: tuple[int, int] | None = None
    for at, prefixes in enumerate(LAYERS):
        for prefix in prefixes:
            if (name == prefix or name.startswith(prefix + ".")) and (
                best is None or len(prefix) > best[0]
            ):
                best = (len(prefix), at)
    return best[1] if best else None


def test_every_module_has_its_place():
    """A module outside the list of layers would escape the direction test."""
    homeless = [
        name for name, path in modules()
        if name.startswith("simplify.") and layer(name) is None and path.name != "__init__.py"
    ]
    assert homeless == []


def test_imports_go_one_way():
    """Strategies propose, search combines, ranking orders: an upward import would mix them."""
    wrong = []
    for name, path in modules():
        mine = layer(name)
        for other in sorted(imports(path)):
            theirs = layer(other)
            if mine is not None and theirs is not None and theirs > mine:
                wrong.append(f"{name} imports {other}")
    assert wrong == []


def test_strategies_see_the_score_the_harp_and_the_contract_only():
    """A strategy that could import technique or difficulty would start to judge."""
    allowed = (
        "simplify.score", "simplify.harp", "simplify.realise", "simplify.strategy",
        "simplify.errors",
    )
    wrong = [
        f"{name} imports {other}"
        for name, path in modules() if name.startswith("strategies.")
        for other in sorted(imports(path))
        if other.split(".")[0] in ("simplify", "strategies") and not other.startswith(allowed)
    ]
    assert wrong == []


def test_only_api_imports_the_catalogue():
    """The composition root is one file."""
    users = [
        name for name, path in modules()
        if name.startswith("simplify")
        and any(other.split(".")[0] == "strategies" for other in imports(path))
    ]
    assert users == ["simplify.api"]


def test_music21_has_one_importer_and_it_is_lazy():
    """music21 is slow to import: `gentler --help` must not pay for it."""
    users = [name for name, path in modules()
             if any(i.split(".")[0] == "music21" for i in imports(path))]
    assert users == ["simplify.score.convert"]
    code = "import sys, simplify.cli; sys.exit('music21' in sys.modules or 'numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0


def test_catalogue_lists_every_strategy_file():
    """A strategy that is not listed is dead code."""
    from strategies import ALL

    files = {p.stem for p in (ROOT / "strategies").glob("*.py")} - {"__init__"}
    assert {s.name for s in ALL} == files
    assert len({s.name for s in ALL}) == len(ALL)


def test_every_data_file_row_has_a_source():
    """Numbers without a source can't be argued with."""

    def bare(table: dict[str, object], path: str) -> list[str]:
        if "source" in table:
            return []
        below = [(k, v) for k, v in table.items() if isinstance(v, dict)]
        loose = [k for k, v in table.items() if not isinstance(v, dict)]
        missing = [f"{path}.{k}" for k in loose if isinstance(table[k], int | float)]
        return missing + [m for k, v in below for m in bare(v, f"{path}.{k}")]

    missing = []
    for file in sorted((ROOT / "simplify").rglob("*.toml")):
        missing += bare(tomllib.loads(file.read_text("utf-8")), file.name)
    assert missing == []


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The project's wheel, built from this tree."""
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(out), str(ROOT)],
        check=True,
    )
    return next(out.glob("*.whl"))


def test_wheel_carries_code_and_data(wheel: Path):
    """Installed without the checkout, every data file and strategy must be there."""
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        str(p.relative_to(ROOT)) for tree in ("simplify", "strategies")
        for p in (ROOT / tree).rglob("*")
        if p.suffix in (".py", ".toml", ".css") or p.name == "py.typed"
    }
    assert wanted <= names
    assert {n.split("/")[0] for n in names if not n.split("/")[0].endswith(".dist-info")} == {
        "simplify", "strategies"
    }
