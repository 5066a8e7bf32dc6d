"""The core is total: whatever figures it is given, finite ones come out, None, or a ValueError.

Every public function and class at its border is found, built and called by its annotations, so that
what comes new is driven too. What steps inside the border is driven through the observer and
through records, below: it trusts who calls it. A ValueError is a refusal that its documentation
announces; whoever feeds the core from readings never meets one, see also tests/watch/test_total.py.
What is drawn follows from a fixed seed: some figures wild, some ordinary.
"""

import dataclasses
import importlib
import inspect
import json
import math
import pkgutil
import random
import re
import struct
import types
import typing
from collections.abc import Callable, Iterable, Sequence
from enum import Enum
from functools import cache
from typing import Any

import pytest

import cabinetwatch.thermal
from cabinetwatch.config.values import Span
from cabinetwatch.thermal.derating import DeratingCurve
from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.fan import CurrentModel, rated_models
from cabinetwatch.thermal.identification import History, Record
from cabinetwatch.thermal.learning import Learnt, learn
from cabinetwatch.thermal.sensing import MANNERS, Manner
from cabinetwatch.thermal.windows import DeviceSettings, Window

WILD = (
    0.0, -0.0, 5e-324, 1e-300, 1e-12, 1.0, -1.0, 20.0, 40.0, 85.0, 300.0, -273.15, 1e5, 1e9, 1e15,
    1e19, 1e154, 1e170, 1e200, 1.7e308, -1e200, -1e19, math.inf, -math.inf, math.nan,
)  # fmt: skip
CALLS = 30
OBJECTS = 30
FEW = 6
"""So many where records are learnt from, which takes a while."""

# Its documentation says when: for a load that is allowed at no temperature.
MAY_BE_INFINITE = {"threshold_c"}
# Driven by the records that they are made for, below.
WITHIN_LEARNING = {"Record", "with_bound", "daily_figures", "yearly", "ambient_prior"}
# Inside the border: the observer's steps, and the courses that it forecasts from.
INSIDE = {
    "LowPassRow", "Resolution", "WindowGatherer", "Expectation", "RiseEstimator", "HeadingFilter",
    "Course", "Base", "Heading", "highest_c", "BoundTest", "ChangeTest", "Cusum", "LoadExcursions",
    "ForecastWatch", "Saved", "Kept",
}  # fmt: skip
KEPT_APART = {"DeviceObserver", "save", "load", "restore", "index", "count"}


def public() -> dict[str, Any]:
    """Give the public functions and classes by their full names."""
    found = {}
    for each in pkgutil.iter_modules(cabinetwatch.thermal.__path__):
        module = importlib.import_module(f"cabinetwatch.thermal.{each.name}")
        for name, subject in vars(module).items():
            own = getattr(subject, "__module__", "") == module.__name__
            if name.startswith("_") or not own or isinstance(subject, type(Span)):
                continue
            if name in KEPT_APART | WITHIN_LEARNING | INSIDE or not callable(subject):
                continue
            if not (inspect.isclass(subject) and issubclass(subject, Enum)):
                found[f"{each.name}.{name}"] = subject
    return found


PUBLIC = public()
FUNCTIONS = [name for name, each in PUBLIC.items() if not inspect.isclass(each)]
CLASSES = [name for name, each in PUBLIC.items() if inspect.isclass(each)]


class Refused(Exception):  # noqa: N818 - it says what became of it
    """A documented ValueError."""


class Source:
    """Draws arguments for functions and classes, by their annotations."""

    def __init__(self, seed: str) -> None:
        self.random = random.Random(seed)
        self.wildness = 0.5
        """The share of wild figures among those drawn."""

    def figure(self) -> float:
        """Give a float: any at all, or one as a house has them."""
        draw = self.random
        if draw.random() >= self.wildness:
            return draw.uniform(0.0, draw.choice((1.0, 1.0, 40.0, 3000.0)))
        if draw.random() < 0.5:
            return draw.choice(WILD)
        (figure,) = struct.unpack("<d", draw.randbytes(8))
        return float(figure)

    def whole(self) -> int:
        """Give an int."""
        draw = self.random
        least, most = draw.choice(((0, 60), (0, 10**6), (-(2**62), 2**62)))
        return draw.randrange(least, most)

    def value(self, kind: Any) -> Any:
        """Give a value of an annotation."""
        draw = self.random
        simple: dict[Any, Callable[[], Any]] = {
            float: self.figure,
            int: self.whole,
            bool: lambda: draw.random() < 0.5,
            str: lambda: draw.choice(("", "t", "\x00ä")),
            Manner: lambda: draw.choice(list(MANNERS.values())),
            types.NoneType: lambda: None,
            CurrentModel: lambda: draw.choice(rated_models(12.0, 0.2)),
            History: lambda: draw.choice(records()),
            Learnt: lambda: draw.choice(lessons()),
            Callable[[float], float]: lambda: max,
        }
        if kind in simple:
            return simple[kind]()
        origin, arguments = typing.get_origin(kind), typing.get_args(kind)
        if origin in {typing.Union, types.UnionType}:
            return self.value(draw.choice(arguments))
        if origin is typing.Literal:
            return draw.choice(arguments)
        if origin is tuple and arguments[-1] is not Ellipsis:
            return tuple(self.value(each) for each in arguments)
        if origin in {tuple, list, Sequence, Iterable}:
            drawn = [self.value(arguments[0]) for _ in range(draw.randrange(7))]
            return tuple(drawn) if origin is tuple else drawn
        return self.made(kind)

    def made(self, kind: type) -> Any:
        """Give an object that its class doesn't refuse to make."""
        wildness = self.wildness
        try:
            for _ in range(50):
                try:
                    return kind(**self.arguments(kind))
                except ValueError:
                    self.wildness *= 0.7
        finally:
            self.wildness = wildness
        raise AssertionError(f"nothing makes a {kind}")

    def arguments(self, function: Any) -> dict[str, Any]:
        """Give arguments by name."""
        hints = typing.get_type_hints(function.__init__ if is_maker(function) else function)
        wildness = self.wildness
        if function is DeratingCurve:
            return {"points": self.points()}
        if inspect.isclass(function) and not is_maker(function):
            # It only holds what it is given, and so is what its maker makes it.
            self.wildness = 0.0
        drawn = {
            each.name: self.value(
                types.GenericAlias(list, (hints[each.name],))
                if each.kind is each.VAR_POSITIONAL
                else hints[each.name]
            )
            for each in inspect.signature(function).parameters.values()
        }
        self.wildness = wildness
        if "matrix" in drawn and self.random.random() < 0.8:
            size = range(len(drawn["right"]))
            drawn["matrix"] = [[self.figure() for _ in size] for _ in size]
        return drawn

    def points(self) -> list[tuple[float, float]]:
        """Give points of a curve: one rises and the other falls, as a rule."""
        count = self.random.randrange(4)
        rising = sorted(self.figure() for _ in range(count))
        falling = sorted((min(1.0, self.figure()) for _ in range(count)), reverse=True)
        return list(zip(rising, falling, strict=True))


def is_maker(kind: Any) -> bool:
    """Whether a class looks at what it is given."""
    if not inspect.isclass(kind):
        return False
    holds = dataclasses.is_dataclass(kind) or issubclass(kind, tuple)
    return not holds or hasattr(kind, "__post_init__")


@cache
def records() -> list[History]:
    """Give records of a device's first days: empty, short, calm, and of all that sensors say."""
    return [record(0, 0), record(1, 50), record(2, 400), record(3, 700), record(4, 700, calm=True)]


@cache
def lessons() -> list[Learnt]:
    """Give what such records teach."""
    taught = [learn(each, has_power) for each in records() for has_power in (True, False)]
    return [each for each in taught if each is not None]


RECORD_VALUES = (0.0, 0.0, 20.0, 20.0, 20.1, 25.0, 60.0, 125.0, -55.0, 1500.0, -273.15)
RECORD_POWERS = (None, 0.0, 0.0, 40.0, 40.0, 80.0, 1e5, -1e5, 1e-300)


def record(seed: int, rows: int, *, calm: bool = False) -> History:
    """Give a record of so many windows."""
    draw, history, t = random.Random(seed), History(), 0
    many = draw.randint(1, 6)
    choices = [draw.choice(RECORD_VALUES) for _ in range(many)]
    powers = [draw.choice(RECORD_POWERS) for _ in range(many)]
    for _ in range(rows):
        step_ms = draw.choice((60_000, 60_000, 60_000, 1, 600_000, 10**8))
        warm_c, air_c, power_w = draw.choice(choices), draw.choice(choices), draw.choice(powers)
        if calm:
            step_ms, air_c, power_w = 60_000, draw.gauss(20.0, 0.5), draw.choice((20.0, 40.0))
            warm_c = air_c + 0.2 * power_w
        t += step_ms
        history.add(Window(t, step_ms, warm_c, air_c, air_c, power_w, power_w))
    return history


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
    """Call, or say that it was refused."""
    named, args = dict(arguments), list[Any]()
    for each in inspect.signature(function).parameters.values():
        if each.kind is each.VAR_POSITIONAL:
            args += named.pop(each.name, [])
    try:
        return function(*args, **named)
    except ValueError:
        raise Refused from None
    except Exception as error:
        error.add_note(f"{function} of {arguments}")
        raise


def methods(kind: type) -> list[str]:
    return [
        name
        for name, member in inspect.getmembers(kind)
        if not name.startswith("_") and name not in KEPT_APART and inspect.isfunction(member)
    ]


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_gives_finite_figures_or_refuses(name: str) -> None:
    function, source, answered = PUBLIC[name], Source(name), 0
    learns = {"Record", "History"} & set(re.findall(r"\w+", str(function.__annotations__)))
    for number in range(FEW if learns else CALLS):
        source.wildness = (0.5, 0.1, 0.0)[number % 3]
        try:
            result = call(function, source.arguments(function))
        except Refused:
            continue
        answered += 1
        check_finite(result, name.rpartition(".")[2])
    assert answered


@pytest.mark.parametrize("name", CLASSES)
def test_an_object_stays_finite_whatever_it_is_asked(name: str) -> None:
    kind, source, made_once = PUBLIC[name], Source(name), False
    known = methods(kind)
    for number in range(OBJECTS):
        source.wildness = (0.5, 0.1, 0.0)[number % 3]
        try:
            made = call(kind, source.arguments(kind))
        except Refused:
            continue
        made_once = True
        for _ in range(source.random.randrange(8) if known else 0):
            method = source.random.choice(known)
            asked = getattr(made, method)
            try:
                check_finite(call(asked, source.arguments(asked)), method)
            except Refused:
                continue
            if hasattr(made, "save"):
                check_finite(made.save(), name)
    assert made_once


SETTINGS = (
    DeviceSettings(),
    DeviceSettings(has_power=True, learning_days=3.0),
    DeviceSettings(True, 10.0, 40.0, 900.0),
    DeviceSettings(False, 10.0, None, 300.0),
    DeviceSettings(True, 1e-3, 1e-3, 0.1, 1e-300, 0.0, 1e-9, 1e-300, 1e300),
)
DAY_MINUTES = 1440
KINDS = ("ambient", "power", "temperature", "update", "lose")
GAPS_MS = (0, 1, 1000, 10_000, 10_000, 60_000, 10**6, 10**9, 10**14, -5000, -(10**12))


@cache
def lived(device: DeviceSettings, minutes: int) -> str:
    """Give the state of an observer after some ordinary hours, as JSON.

    A day is enough to learn for one that is told so.
    """
    draw = random.Random(3)
    observer = DeviceObserver(dataclasses.replace(device, learning_days=0.9))
    for minute in range(minutes):
        power_w = (20.0, 40.0, 30.0)[minute // 50 % 3]
        air_c = 20.0 + math.sin(minute / 200) + draw.gauss(0, 0.05)
        observer.update(minute * 60_000, air_c + 0.25 * power_w, air_c, power_w)
    return json.dumps(observer.save())


@pytest.mark.parametrize("minutes", [0, 120, DAY_MINUTES], ids=["fresh", "lived", "learnt"])
@pytest.mark.parametrize("device", SETTINGS, ids=range(len(SETTINGS)))
def test_an_observer_takes_any_figure_at_any_time(device: DeviceSettings, minutes: int) -> None:
    state = json.loads(lived(device, minutes))
    if minutes == DAY_MINUTES and device is not SETTINGS[-1]:
        assert state["learnt"] is not None
    source = Source("readings")
    for _ in range(4):
        observer = DeviceObserver.load(device, state)
        t = minutes * 60_000
        for _ in range(source.random.randrange(40)):
            t += source.random.choice(GAPS_MS)
            feed(observer, t, source)
            for answer in (observer.figures, observer.cooling_loss, observer.learning):
                check_finite(answer, "answer")
            check_finite((observer.rise_ratio, observer.rise_missing), "ratio")
            check_finite(observer.forecast(60.0, 3600.0), "forecast")
        json.dumps(observer.save(), allow_nan=False)


def feed(observer: DeviceObserver, t: int, source: Source) -> None:
    """Let one reading come, wild or ordinary."""
    kind = source.random.choice(KINDS)
    value = source.random.choice((source.figure(), 20.0, 30.0, 100.0, 1000.0, 4000.0))
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


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("has_power", [True, False])
def test_whatever_a_record_holds_it_teaches_finite_figures_or_none(
    seed: int, has_power: bool
) -> None:
    for tau_s in (None, 900.0):
        taught = learn(record(seed, 600), has_power, tau_s)
        if taught is not None:
            check_finite(taught, "learnt")


def test_a_record_without_rows_is_refused() -> None:
    with pytest.raises(ValueError, match="empty"):
        Record(History())
