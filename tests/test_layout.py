"""The house: imports run one way, and the core knows no clock, network, file or database."""

import ast
import doctest
import importlib
import re
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "cabinetwatch"

# From the top of the house to its foundations. Each may import what stands below it.
FLOORS = [
    "cli",
    "service",
    "report",
    "trial",
    "notify",
    "mqtt",
    "store",
    "watch",
    "thermal",
    "config",
]
# Below all floors; they know nothing of the house.
GROUND = {"clock", "text"}
# The demonstration stands aside: of ours it takes only the ground.
ASIDE = {"demo"}
# Above all: the program itself.
ROOF = {"__main__"}

PURE = ["watch", "thermal"]
IMPURE = {
    "aiosmtpd", "alembic", "amqtt", "asyncio", "datetime", "glob", "http", "io", "jinja2",
    "logging", "multiprocessing", "os", "paho", "queue", "random", "rich", "sched", "secrets",
    "select", "selectors", "shutil", "signal", "smtplib", "socket", "sqlalchemy", "sqlite3", "ssl",
    "subprocess", "sys", "tempfile", "threading", "time", "tomllib", "urllib", "uuid", "zoneinfo",
}  # fmt: skip
CLOCK = "cabinetwatch.clock."
# Instants and spans as people and programs read them: that asks no clock.
INSTANTS = {"describe_duration", "from_rfc3339", "to_rfc3339"}
# The engine's configuration is read by whoever starts it, through this one module of the engine's.
NAMES_PATH_ONLY = {"watch/conditions/__init__.py"}


@cache
def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def floor(path: Path) -> str:
    """Give the floor that a file of ours belongs to: its package, or its own name."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@cache
def nodes(path: Path) -> list[ast.AST]:
    """Give all nodes of a file's syntax tree, read once for all tests."""
    return list(ast.walk(ast.parse(path.read_text())))


@cache
def imports(path: Path) -> frozenset[str]:
    """Give the full names of all that a file imports, wherever in it the import stands."""
    found: set[str] = set()
    for node in nodes(path):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports name the whole way"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return frozenset(found)


def our_imports(path: Path) -> set[str]:
    """Give the floors that a file imports from."""
    names = (name.split(".") for name in imports(path))
    return {parts[1] for parts in names if parts[0] == "cabinetwatch"} - {"__version__"}


def test_every_part_of_the_house_has_its_floor() -> None:
    parts = {floor(path) for path in modules()} - {"__init__"}
    assert parts <= {*FLOORS, *GROUND, *ASIDE, *ROOF}


def test_imports_run_downwards_only() -> None:
    for path in modules():
        own = floor(path)
        if own in GROUND or own == "__init__":
            allowed = GROUND
        elif own in ASIDE:
            allowed = {own} | GROUND
        elif own in ROOF:
            allowed = {"cli"}
        else:
            allowed = set(FLOORS[FLOORS.index(own) :]) | GROUND
            # Two commands show the demonstration and its screen; they alone reach aside.
            if path.stem.startswith("demo") and own == "cli":
                allowed |= ASIDE
        assert our_imports(path) <= allowed, path


def test_the_core_knows_no_clock_network_file_or_database() -> None:
    for path in (path for path in modules() if floor(path) in PURE):
        outside = {name.split(".")[0] for name in imports(path)}
        allowed = {"pathlib"} if str(path.relative_to(PACKAGE)) in NAMES_PATH_ONLY else set()
        assert outside & (IMPURE | {"pathlib"}) <= allowed, path
        from_clock = {name.split(".")[2] for name in imports(path) if name.startswith(CLOCK)}
        assert from_clock <= INSTANTS, path
        calls = {
            node.func.id
            for node in nodes(path)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert not calls & {"open", "print", "input", "eval", "exec", "__import__"}, path


def test_no_module_imports_itself_by_way_of_others() -> None:
    """Not even where only a type checker looks: who needs a name knows what it names."""
    ours = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in modules()}
    ours = {name.removesuffix(".__init__"): path for name, path in ours.items()}
    wanted: dict[str, set[str]] = {name: set() for name in ours}
    for name, path in ours.items():
        for imported in imports(path):
            # What is imported from a module is a name of it, if it is no module itself.
            target = imported if imported in ours else imported.rpartition(".")[0]
            wanted[name] |= {target} & ours.keys() - {name}
    # Raises a CycleError that names the circle.
    TopologicalSorter(wanted).prepare()


def test_nothing_of_the_project_imports_a_test() -> None:
    for path in modules():
        assert not any(name.split(".")[0] == "tests" for name in imports(path)), path


# What is asked for and given back in SI whatever people read: the configuration, bench sums, demo.
IN_SI = {"config", "mqtt", "demo", "thermal", "cli/calc.py", "cli/commands.py", "cli/terminal.py"}
UNIT_OF_TEMPERATURE = re.compile(r"(?<=[ \N{NO-BREAK SPACE}])(?:°[CF]|K(?:/\w+)?)(?!\w)")


def test_no_sentence_has_a_unit_of_temperature_of_its_own() -> None:
    """Only `TemperatureUnit` knows which one people read; a unit alone says what a figure is in."""
    found = []
    for path in modules():
        if {floor(path), str(path.relative_to(PACKAGE))} & IN_SI:
            continue
        # Docstrings, and what is said of keys of the configuration.
        remarks = {
            id(node.value)
            for node in nodes(path)
            if isinstance(node, ast.Expr)
            or (isinstance(node, ast.keyword) and node.arg == "description")
        }
        found += [
            f"{path.relative_to(ROOT)}:{node.lineno}"
            for node in nodes(path)
            if isinstance(node, ast.Constant) and isinstance(node.value, str)
            if id(node) not in remarks and UNIT_OF_TEMPERATURE.search(node.value)
        ]
    templates = [
        path for path in PACKAGE.rglob("*.j2") if UNIT_OF_TEMPERATURE.search(path.read_text())
    ]
    assert not [*found, *templates]


def test_no_figure_is_ever_written_as_minus_zero() -> None:
    # Python's format option z (PEP 682) makes a negative zero positive once it is rounded.
    assert f"{-0.04:z.1f} {-0.04:+z.1f} {-0.0:zg}" == "0.0 +0.0 0"
    without = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in modules()
        for node in nodes(path)
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None
        if (spec := ast.unparse(node.format_spec)[2:-1])
        if spec[-1] in "efg%" and "z" not in spec
    ]
    assert not without, "write these figures with z: " + ", ".join(without)


def test_every_function_that_is_named_in_a_text_is_there() -> None:
    # Commands import by name what they need late; no type checker sees that.
    named = {
        match.groups()
        for path in (PACKAGE / "cli").glob("*.py")
        for match in re.finditer(r'"([a-z_]+(?:\.[a-z_]+)*):([a-z_]+)"', path.read_text())
    }
    assert ("store.database", "find_watch") in named
    for module, function in sorted(named):
        assert callable(getattr(importlib.import_module(f"cabinetwatch.{module}"), function))


def test_every_example_in_a_docstring_is_true() -> None:
    with_examples = [path for path in modules() if ">>> " in path.read_text()]
    assert with_examples
    for path in with_examples:
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        result = doctest.testmod(importlib.import_module(name))
        assert result.attempted > 0, name
        assert result.failed == 0, name


def test_the_guide_lists_every_module_and_none_grows_beyond_700_lines() -> None:
    listed, package = set(), ""
    tree = (ROOT / "DEVELOPERS.md").read_text().partition("## Layout")[2].partition("*Pure*")[0]
    for indent, name in re.findall(r"^( {4}| {6})(\S+)  +\S", tree, flags=re.MULTILINE):
        if name.endswith("/"):
            package = name if len(indent) == 4 else package
        else:
            listed.add(f"{package if len(indent) == 6 else ''}{name}.py")
    small = {"__init__.py", "__main__.py", "env.py"}
    there = {
        str(path.relative_to(PACKAGE))
        for path in modules()
        if path.name not in small and "versions" not in path.parts
    }
    assert listed == there
    long = {path.name for path in modules() if len(path.read_text().splitlines()) > 700}
    assert not long
