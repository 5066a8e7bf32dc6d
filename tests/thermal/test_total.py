"""The core is total: whatever figures it is given, finite ones come out, None, or a ValueError.

Every public function and class of `thermal` is found, built and called by its annotations, so that
what comes new is driven too. A ValueError is a refusal that its documentation announces; whoever
feeds the core from readings never meets one: see the observer here, and tests/watch/test_total.py.
"""

import dataclasses
import importlib
import inspect
import json
import math
import pkgutil
import random
import types
import typing
from collections.abc import Callable, Iterable, Sequence
from enum import Enum
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import cabinetwatch.thermal
from cabinetwatch.config.quantities import Span
from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.fan import CurrentModel, rated_models
from cabinetwatch.thermal.figures import DeviceSettings
from cabinetwatch.thermal.history import History
from cabinetwatch.thermal.identify import Record
from cabinetwatch.thermal.learning import learn
from cabinetwatch.thermal.plausible import MANNERS, Manner
from cabinetwatch.thermal.windows import Window

WILD = (
    0.0, -0.0, 5e-324, 1e-300, 1e-12, 1.0, -1.0, 20.0, 40.0, 85.0, 300.0, -273.15, 1e5, 1e9, 1e15,
    1e19, 1e154, 1e170, 1e200, 1.7e308, -1e200, -1e19, math.inf, -math.inf, math.nan,
)  # fmt: skip
FLOATS = st.sampled_from(WILD) | st.floats() | st.floats(-100.0, 100.0)
INTS = st.integers(0, 10**6) | st.integers(-(2**62), 2**62)

# Their documentation says when: never reached, or allowed at no temperature.
MAY_BE_INFINITE = {"time_to_limit_s", "threshold_c"}
# What is made of records, which take a while: driven below.
RECORDS = {"Record", "History", "Learnt", "Spectrum", "LoadFit", "DeviceObserver"}


def modules() -> list[types.ModuleType]:
    names = [m.name for m in pkgutil.iter_modules(cabinetwatch.thermal.__path__)]
    return [importlib.import_module(f"cabinetwatch.thermal.{name}") for name in names]


def mentions_records(subject: Any) -> bool:
    function = subject.__init__ if inspect.isclass(subject) else subject
    return any(name in str(getattr(function, "__annotations__", {})) for name in RECORDS)


def public() -> dict[str, Any]:
    """Give the public functions and classes by their full names."""
    found = {}
    for module in modules():
        for name, subject in vars(module).items():
            own = getattr(subject, "__module__", "") == module.__name__
            if name.startswith("_") or not own or isinstance(subject, type(Span)):
                continue
            is_class = inspect.isclass(subject)
            if is_class and (issubclass(subject, Enum) or name in RECORDS):
                continue
            if (is_class or callable(subject)) and not mentions_records(subject):
                found[f"{module.__name__.rpartition('.')[2]}.{name}"] = subject
    return found


PUBLIC = public()


class Refused(Exception):  # noqa: N818 - it says what became of it
    """A documented ValueError."""


def plain_values_of(kind: Any) -> st.SearchStrategy[Any]:
    """Give values of an annotation that a class can be told to hold."""
    if kind is float:
        return st.floats(-1e3, 1e3)
    if str(kind) == "float | None":
        return st.none() | st.floats(-1e3, 1e3)
    return values_of(kind)


def values_of(kind: Any) -> st.SearchStrategy[Any]:  # noqa: PLR0911 - one a kind of annotation
    """Give values of an annotation."""
    simple: dict[Any, st.SearchStrategy[Any]] = {
        float: FLOATS,
        int: INTS,
        bool: st.booleans(),
        str: st.text(max_size=3),
        Manner: st.sampled_from(list(MANNERS.values())),
        types.NoneType: st.none(),
        CurrentModel: st.sampled_from(rated_models(12.0, 0.2)),
    }
    if kind in simple:
        return simple[kind]
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in {typing.Union, types.UnionType}:
        return st.one_of([values_of(each) for each in arguments])
    if origin is typing.Literal:
        return st.sampled_from(arguments)
    if origin is tuple and arguments[-1] is not Ellipsis:
        return st.tuples(*(values_of(each) for each in arguments))
    if origin in {tuple, list, Sequence, Iterable, typing.get_origin(Sequence[int])}:
        inner = st.lists(values_of(arguments[0]), max_size=6)
        return inner.map(tuple) if origin is tuple else inner
    if origin is typing.get_origin(Callable[[float], float]):
        return st.just(max)
    if inspect.isclass(kind):
        return st.builds(lambda made: made, made_of(kind))
    raise AssertionError(f"nothing makes a {kind}")


def arguments_of(function: Any) -> st.SearchStrategy[dict[str, Any]]:
    """Give arguments for a function, by name."""
    if inspect.isclass(function) and is_plain(function):
        hints = typing.get_type_hints(function)
        names = inspect.signature(function).parameters
        return st.fixed_dictionaries({name: plain_values_of(hints[name]) for name in names})
    told = function.__init__ if inspect.isclass(function) else function
    hints = typing.get_type_hints(told)
    parameters = inspect.signature(function).parameters.values()
    positional = {
        each.name: values_of(hints[each.name])
        for each in parameters
        if each.kind in {each.POSITIONAL_OR_KEYWORD, each.KEYWORD_ONLY}
    }
    extra = next((each for each in parameters if each.kind is each.VAR_KEYWORD), None)
    assert extra is None
    return st.fixed_dictionaries(positional)


def is_plain(kind: type) -> bool:
    """Whether a class only holds what it is given, and so is what its maker makes it."""
    holds = dataclasses.is_dataclass(kind) or issubclass(kind, tuple)
    return holds and not hasattr(kind, "__post_init__")


def made_of(kind: type) -> st.SearchStrategy[Any]:
    def make(arguments: dict[str, Any]) -> Any:
        try:
            return kind(**arguments)
        except ValueError:
            return None

    return arguments_of(kind).map(make).filter(lambda made: made is not None)


def check_finite(result: Any, name: str) -> None:
    """See that nothing but finite figures is in a result."""
    if isinstance(result, float):
        assert not math.isnan(result), name
        assert math.isfinite(result) or name in MAY_BE_INFINITE, name
    elif isinstance(result, complex):
        pytest.fail(f"{name} is complex")
    elif isinstance(result, dict):
        for key, value in result.items():
            check_finite(value, f"{name}.{key}")
    elif isinstance(result, list | tuple):
        for value in result:
            check_finite(value, name)
    elif dataclasses.is_dataclass(result) and not isinstance(result, type):
        for field in dataclasses.fields(result):
            check_finite(getattr(result, field.name), f"{name}.{field.name}")


def call(function: Any, arguments: dict[str, Any]) -> Any:
    told = inspect.signature(function).parameters.values()
    args: list[Any] = []
    for each in told:
        if each.kind is each.VAR_POSITIONAL:
            args += arguments.pop(each.name, [])
    try:
        return function(*args, **arguments)
    except ValueError:
        raise Refused from None


def methods(kind: type) -> list[str]:
    return [
        name
        for name, member in inspect.getmembers(kind)
        if not name.startswith("_")
        and name not in {"save", "load", "restore", "index", "count", "inherit"}
        and inspect.isfunction(member)
    ]


FUNCTIONS = [name for name, each in PUBLIC.items() if not inspect.isclass(each)]
CLASSES = [name for name, each in PUBLIC.items() if inspect.isclass(each)]
QUICK = settings(
    max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True
)


@pytest.mark.parametrize("name", FUNCTIONS)
@QUICK
@given(data=st.data())
def test_a_function_gives_finite_figures_or_refuses(name: str, data: st.DataObject) -> None:
    function = PUBLIC[name]
    arguments = data.draw(arguments_of(function))
    try:
        result = call(function, arguments)
    except Refused:
        return
    check_finite(result, name.rpartition(".")[2])


@pytest.mark.parametrize("name", CLASSES)
@QUICK
@given(data=st.data())
def test_an_object_stays_finite_whatever_it_is_asked(name: str, data: st.DataObject) -> None:
    kind = PUBLIC[name]
    try:
        made = call(kind, data.draw(arguments_of(kind)))
    except Refused:
        return
    known = methods(kind)
    for _ in range(data.draw(st.integers(0, 6)) if known else 0):
        method = data.draw(st.sampled_from(known))
        try:
            result = call(getattr(made, method), data.draw(arguments_of(getattr(made, method))))
        except Refused:
            continue
        check_finite(result, method)
        if hasattr(made, "save"):
            check_finite(made.save(), name)


SETTINGS = (
    DeviceSettings(),
    DeviceSettings(has_power=True, learning_days=3.0),
    DeviceSettings(True, 10.0, 40.0, 900.0),
    DeviceSettings(False, 10.0, None, 300.0),
    DeviceSettings(True, 1e-3, 1e-3, 0.1, 1e-300, 0.0, 1e-9, 1e-300, 1e300),
)


def lived(device: DeviceSettings, hours: int) -> DeviceObserver:
    """Give an observer after some ordinary hours."""
    rng = random.Random(3)
    observer = DeviceObserver(device)
    for i in range(hours * 120):
        rise_k = 8.0 + 2.0 * math.sin(i / 200)
        observer.update(i * 30_000, 20.0 + rise_k + rng.gauss(0, 0.05), 20.0, 4.0 * rise_k)
    return observer


READINGS = st.lists(
    st.tuples(
        st.sampled_from(("ambient", "power", "temperature", "update", "lose")),
        st.sampled_from((0, 1, 1000, 10_000, 60_000, 10**6, 10**9, 10**14, -5000, -(10**12))),
        FLOATS | st.sampled_from((20.0, 30.0, 100.0, 1000.0, 4000.0)),
    ),
    max_size=30,
)
LIVED = {index: lived(each, 2).save() for index, each in enumerate(SETTINGS)}


@settings(max_examples=25, deadline=None, derandomize=True)
@given(index=st.sampled_from(range(len(SETTINGS))), fresh=st.booleans(), readings=READINGS)
def test_an_observer_takes_any_figure_at_any_time(
    index: int, fresh: bool, readings: list[tuple[str, int, float]]
) -> None:
    device = SETTINGS[index]
    observer = DeviceObserver(device)
    if not fresh:
        observer = DeviceObserver.load(device, json.loads(json.dumps(LIVED[index])))
    t = 7_200_000
    for kind, gap_ms, value in readings:
        t += gap_ms
        if kind == "ambient":
            observer.observe_ambient(t, value)
        elif kind == "power":
            observer.observe_power(t, None if value == 0.0 else value)
        elif kind == "temperature":
            observer.observe_temperature(t, value)
        elif kind == "update":
            observer.update(t, 30.0, 20.0, value)
        else:
            observer.lose_ambient()
        for answer in (observer.figures, observer.cooling_loss, observer.learning):
            check_finite(answer, kind)
        check_finite((observer.rise_ratio, observer.rise_missing), kind)
        check_finite(observer.forecast(60.0, 3600.0), kind)
    json.dumps(observer.save(), allow_nan=False)


RECORD_VALUES = (0.0, 0.0, 20.0, 20.0, 20.1, 25.0, 60.0, 125.0, -55.0, 1500.0, -273.15)
RECORD_POWERS = (None, 0.0, 0.0, 40.0, 40.0, 80.0, 1e5, -1e5, 1e-300)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10_000), many=st.integers(1, 6), has_power=st.booleans())
def test_whatever_a_record_holds_it_teaches_finite_figures_or_none(
    seed: int, many: int, has_power: bool
) -> None:
    rng = random.Random(seed)
    history, t = History(), 0
    choices = [rng.choice(RECORD_VALUES) for _ in range(many)]
    powers = [rng.choice(RECORD_POWERS) for _ in range(many)]
    for _ in range(600):
        step_ms = rng.choice((60_000, 60_000, 60_000, 1, 600_000, 10**8))
        t += step_ms
        warm_c, air_c, power_w = rng.choice(choices), rng.choice(choices), rng.choice(powers)
        history.add(Window(t, step_ms, warm_c, air_c, air_c, power_w, power_w))
    for tau_s in (None, 900.0):
        taught = learn(history, has_power, tau_s)
        if taught is not None:
            check_finite(taught, "learnt")


def test_a_record_without_rows_is_refused() -> None:
    with pytest.raises(ValueError, match="empty"):
        Record(History())
