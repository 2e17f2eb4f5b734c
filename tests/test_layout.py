"""The structure of the package: imports run one way, edges stay thin, heavy libraries load late.

The order is the one DEVELOPERS.md draws. Every import counts, also one inside a function or under
``TYPE_CHECKING``: the rule is about who may know of whom.
"""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "resonance"
ORDER = (
    {"units", "errors", "reasons"},
    {"sound"},
    {"taps"},
    {"spectra"},
    {"modes"},
    {"sets"},
    {"changes"},
    {"jobs"},
    {"taking"},
    {"plots"},
    {"report"},
    {"demo"},
    {"cli", "bench"},
)
RANK = {room: rank for rank, rooms in enumerate(ORDER) for room in rooms}
NUMERICS = ("sound", "taps", "spectra", "modes", "sets", "changes")
LONGEST_MODULE = 600

# Who alone may import what; a path ending in / is a folder. Everything else about the outside world
# (devices, stores, pages, pictures) is out of bounds to everybody.
EDGES = {
    "soundfile": ("sound/files.py",),
    "av": ("sound/phone.py",),
    "sounddevice": ("sound/microphone.py",),
    "sqlite3": ("jobs/",),
    "matplotlib": ("plots/", "report/"),
    "PIL": ("jobs/images.py",),
    "typst": ("report/pdf.py",),
    "fontTools": ("report/signs.py",),
    "jinja2": ("report/", "bench/"),
    "starlette": ("bench/",),
    "uvicorn": ("bench/",),
    "segno": ("bench/",),
    "argparse": ("cli/",),
    "threading": ("taking/", "bench/", "sound/microphone.py"),
}
FILES_AND_CLOCKS = {
    "asyncio", "concurrent", "io", "multiprocessing", "os", "pathlib", "platformdirs", "random", "shutil",
    "signal", "socket", "subprocess", "sys", "tempfile", "threading", "time", "urllib",
}  # fmt: skip
FILE_MODULES = {"sound/files.py", "sound/phone.py", "sound/microphone.py"}
HEAVY = {
    "av", "cattrs", "jinja2", "matplotlib", "multiprocessing", "plotly", "sounddevice", "soundfile",
    "segno", "sqlite3", "starlette", "typst", "uvicorn", "PIL", "fontTools",
}  # fmt: skip


def modules():
    return sorted(PACKAGE.rglob("*.py"))


def place(path):
    return path.relative_to(PACKAGE).as_posix()


def room(path):
    """The folder of a module, or the module itself where it stands at the top ('' for the package)."""
    first = path.relative_to(PACKAGE).parts[0]
    return "" if first == "__init__.py" else first.removesuffix(".py")


def imports(path):
    """Give every (line, full name of what is imported) of a module, relative ones resolved."""
    package = ("resonance", *path.relative_to(PACKAGE).parts[:-1])
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            prefix = ".".join((*base, *filter(None, [node.module])))
            yield from ((node.lineno, f"{prefix}.{alias.name}") for alias in node.names)


def test_every_room_has_a_place_in_the_order():
    assert {room(path) for path in modules()} - {""} <= set(RANK)


def test_developers_draw_the_same_order():
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text("utf-8")
    first, second = re.search(r"^ *(units, .*)\n *└ (sound .*)$", text, re.M).groups()
    drawn = [set(first.split(", ")), *({*part.split(" | ")} for part in second.split(" ─ "))]
    assert tuple(drawn) == ORDER


@pytest.mark.parametrize("path", modules(), ids=place)
def test_imports_run_one_way(path):
    own = room(path)
    for line, name in imports(path):
        parts = name.split(".")
        if parts[0] != "resonance" or name == "resonance.__version__":
            continue
        where = f"{place(path)}:{line} imports {name}"
        assert len(parts) > 1, f"{where}: import the module you need, never the package itself"
        assert parts[1] in RANK, f"{where}: not a room of the package"
        allowed = own == "" or parts[1] == own or RANK[parts[1]] < RANK[own]
        assert allowed, f"{where}: a folder imports only from folders to its left"


def test_public_names_come_only_from_the_numerics():
    rooms = {name.split(".")[1] for _, name in imports(PACKAGE / "__init__.py") if "resonance" in name}
    assert rooms <= {*NUMERICS, "units", "errors", "reasons"}


@pytest.mark.parametrize("path", modules(), ids=place)
def test_the_outside_world_is_touched_at_the_edges_only(path):
    for line, name in imports(path):
        library = name.split(".")[0]
        homes = EDGES.get(library)
        allowed = homes is None or any(place(path).startswith(home) for home in homes)
        assert allowed, f"{place(path)}:{line}: {library} belongs to {homes}"


@pytest.mark.parametrize("path", [p for p in modules() if room(p) in NUMERICS], ids=place)
def test_numerics_know_no_file_clock_thread_or_screen(path):
    tree = ast.parse(path.read_text("utf-8"))
    if place(path) not in FILE_MODULES:
        outside = {name.split(".")[0] for _, name in imports(path)} & FILES_AND_CLOCKS
        assert not outside, f"{place(path)} imports {sorted(outside)}"
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        called = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        forbidden = {"print", "input", "now", "today", "utcnow"}
        if place(path) not in FILE_MODULES:
            forbidden |= {"open"}
        assert called not in forbidden, f"{place(path)}:{node.lineno} calls {called}()"


@pytest.mark.parametrize("path", [p for p in modules() if room(p) != "jobs"], ids=place)
def test_sql_stays_in_jobs(path):
    openings = ("SELECT ", "INSERT ", "UPDATE ", "DELETE FROM", "CREATE TABLE", "PRAGMA ")
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            assert not node.value.lstrip().startswith(openings), f"{place(path)}:{node.lineno} holds SQL"


@pytest.mark.parametrize("path", modules(), ids=place)
def test_a_module_fits_one_subject(path):
    lines = len(path.read_text("utf-8").splitlines())
    assert lines <= LONGEST_MODULE, f"{place(path)} has {lines} lines; split it by subject"


def loaded_after(code):
    """Names of the modules that a fresh interpreter holds after running `code`."""
    script = f"{code}\nimport sys\nsys.stderr.write('\\n'.join(sys.modules))"
    result = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True
    )
    return result.stdout, set(result.stderr.split())


def heavy_among(names):
    """Heavy libraries and public SciPy submodules among module names."""
    parts = [name.split(".") for name in names]
    libraries = {first[0] for first in parts} & HEAVY
    scipy = {p[1] for p in parts if p[0] == "scipy" and len(p) > 1 and not p[1].startswith("_")} - {"version"}
    return libraries | {f"scipy.{name}" for name in scipy}


def test_the_guard_below_sees_a_heavy_library():
    _, names = loaded_after("import scipy.signal, sqlite3")
    assert {"scipy.signal", "sqlite3"} <= heavy_among(names)


def test_import_is_light():
    _, names = loaded_after("import resonance")
    assert not heavy_among(names)


def test_every_numeric_module_imports_lightly():
    names = [
        "resonance." + place(path).removesuffix(".py").replace("/", ".").removesuffix(".__init__")
        for path in modules()
        if room(path) in NUMERICS
    ]
    _, loaded = loaded_after("\n".join(f"import {name}" for name in names))
    assert not heavy_among(loaded)


def test_help_loads_nothing_heavy():
    shown, names = loaded_after("from resonance.cli.main import main\nassert main(['--help']) == 0")
    assert "resonance" in shown
    assert "resonance.cli.main" in names
    assert not heavy_among(names)


def test_public_names_load_and_are_typed():
    import resonance

    told = {}
    for node in ast.walk(ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module.startswith("resonance"):
            told |= {alias.name: node.module for alias in node.names}
    assert set(told) == set(resonance.__all__) - {"__version__"}
    for name, module in told.items():
        assert getattr(resonance, name).__module__ == module
    assert set(dir(resonance)) >= set(told)
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = resonance.no_such_name


TOP = {
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "LICENSE",
    "pyproject.toml",
    "notebooks",
    "recordings_demo",
}


def test_the_top_holds_only_what_it_should():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=PACKAGE.parent, capture_output=True, text=True, check=False
    )
    if listed.returncode:
        pytest.skip("not a git checkout: what belongs to the project is not known")
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= TOP | {"resonance", "tests"}
