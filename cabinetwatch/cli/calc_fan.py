"""`cabinetwatch calc fan`: a resistor in series with a DC fan, and what comes of it."""

import argparse

from cabinetwatch.cli.terminal import BenchResult, Figure, positive
from cabinetwatch.thermal.fan import (
    RATING_FACTOR,
    START_PART,
    CurrentModel,
    OperatingPoint,
    check_resistor,
    fan_laws,
    measured_model,
    pair_below,
    rated_models,
    rating_to_buy_w,
    resistor_for,
    value_below,
    with_resistor,
)

FAN_HELP = "a resistor in series with a DC fan: its value, and what the fan does behind it"
_HIGHEST_V = 60.0

_CAUTIONS = (
    (
        "A slowed fan must be SEEN to start from cold, at this voltage, several times, and again"
        " after a power cut: it needs more voltage to start than to keep turning."
    ),
    (
        "The resistor is hot at its dissipation, and hotter when the fan is stuck: keep it in the"
        " airflow, away from plastic and cables, and buy at least twice the rating."
    ),
    (
        "Work with the gear unplugged. Opened gear holds mains voltage and charged capacitors; the"
        " fan of a power supply or UPS is for licensed people."
    ),
)
_NOTES = (
    (
        "Speed is taken to follow the fan's voltage in proportion (common practice, no source); a"
        " fan that is driven by PWM or limits its own speed does not."
    ),
    "Prove it: run a trial, and set min_fan_rpm where the fan reports its speed.",
)


def configure_fan(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--supply", type=positive, required=True, metavar="V", help="voltage of the supply"
    )
    fan = parser.add_mutually_exclusive_group(required=True)
    fan.add_argument(
        "--rated", type=positive, nargs=2, metavar=("V", "A"), help="what the fan's label says"
    )
    fan.add_argument(
        "--measured",
        type=positive,
        nargs=4,
        metavar=("V1", "A1", "V2", "A2"),
        help="better: its current measured at two voltages",
    )
    wanted = parser.add_mutually_exclusive_group(required=True)
    wanted.add_argument("--voltage", type=positive, metavar="V", help="wanted voltage at the fan")
    wanted.add_argument(
        "--speed", type=positive, metavar="PERCENT", help="wanted speed, %% of that at full supply"
    )
    wanted.add_argument(
        "--resistor",
        type=positive,
        nargs="+",
        metavar="OHM",
        help="a resistor, or several in series, to reckon with",
    )
    parser.add_argument(
        "--series", choices=("E12", "E24"), default="E24", help="preferred values (default: E24)"
    )
    parser.add_argument(
        "--start", type=positive, metavar="V", help="the voltage at which it starts, if measured"
    )


def calculate_fan(args: argparse.Namespace) -> BenchResult:
    """Calculate.

    Raises:
        ValueError: figures that make no sense.
    """
    _check(args)
    models = _models(args)
    inputs = [Figure("supply_v", "supply", args.supply, "V"), *_fan_inputs(args)]
    results: list[Figure] = []
    if args.resistor is not None:
        resistance = sum(args.resistor)
        check_resistor(models, args.supply, resistance, _full_v(args))
        inputs.append(Figure("resistor_ohm", "resistor, in all", resistance, "ohm"))
    else:
        inputs.append(_wanted(args))
        resistance = _choose(args, models, results)
    points = _points(models, args.supply, resistance)
    results += _behind(points, args.supply)
    start_v, notes = args.start or START_PART * args.supply, list(_NOTES)
    results += _rating(points)
    results.append(Figure("start_v", "voltage it needs to start", start_v, "V"))
    lowest_v = min(point.fan_v for _, point in points)
    results.append(Figure("start_margin_v", "lowest voltage less that", lowest_v - start_v, "V"))
    if lowest_v < start_v:
        notes.insert(
            0, f"The fan may get only {lowest_v:z.3g} V, less than {start_v:z.3g} V to start."
        )
    highest_v = max(point.fan_v for _, point in points)
    if args.rated is not None and highest_v > 1.1 * args.rated[0]:
        notes.insert(
            0,
            f"The fan may get {highest_v:z.3g} V, more than the {args.rated[0]:zg} V it is rated"
            " for.",
        )
    if args.start is None:
        notes.append(
            "The start voltage is a guess: a 12 V fan starts at 4 to 7 V (common practice, no"
            " source)."
        )
    if args.measured is None:
        notes.append("Measure the current at two voltages: the models lie far apart without.")
    return BenchResult(
        "fan",
        "V_fan = V_supply - R I(V_fan); P = I^2 R; flow ~ n, pressure ~ n^2, power ~ n^3,"
        " sound 50 log10(n2/n1)",
        "Kirchhoff; fan laws as cpemma's 'Basic Fan Laws' prints them; E series of IEC 60063",
        inputs,
        results,
        tuple(notes),
        _CAUTIONS,
    )


def _check(args: argparse.Namespace) -> None:
    if args.supply > _HIGHEST_V:
        raise ValueError(f"a supply of {args.supply:zg} V is no DC fan's (up to {_HIGHEST_V:zg} V)")
    if args.speed is not None and args.speed >= 100:
        raise ValueError(
            f"a resistor can't bring a fan to {args.speed:zg} % of its speed; give less"
        )
    if args.start is not None and args.start >= args.supply:
        raise ValueError("a fan that needs the whole supply to start can't have a resistor")


def _models(args: argparse.Namespace) -> tuple[CurrentModel, ...]:
    """The model to go by first, then those that bracket it."""
    if args.rated is not None:
        return rated_models(*args.rated)
    v1, a1, v2, a2 = args.measured
    return (measured_model((v1, a1), (v2, a2)),)


def _full_v(args: argparse.Namespace) -> float:
    """The voltage the fan is made for; where it was measured, the highest that it was seen at."""
    return float(args.rated[0] if args.rated is not None else max(args.measured[::2]))


def _fan_inputs(args: argparse.Namespace) -> list[Figure]:
    if args.rated is not None:
        keys = (("rated_v", "rated voltage", "V"), ("rated_a", "rated current", "A"))
        return [
            Figure(*key[:2], value, key[2]) for key, value in zip(keys, args.rated, strict=True)
        ]
    names = (
        ("measured_1_v", "V"),
        ("measured_1_a", "A"),
        ("measured_2_v", "V"),
        ("measured_2_a", "A"),
    )
    return [
        Figure(key, f"measured {key[9]}", value, unit)
        for (key, unit), value in zip(names, args.measured, strict=True)
    ]


def _wanted(args: argparse.Namespace) -> Figure:
    if args.voltage is not None:
        return Figure("wanted_v", "wanted at the fan", args.voltage, "V")
    return Figure("wanted_percent", "wanted speed", args.speed, "%")


def _choose(
    args: argparse.Namespace, models: tuple[CurrentModel, ...], results: list[Figure]
) -> float:
    """Choose the resistor by the first model, on the side of a faster fan."""
    wanted_v = args.voltage if args.voltage is not None else args.supply * args.speed / 100
    for model in models:
        resistance = resistor_for(model, args.supply, wanted_v)
        results.append(Figure(f"exact_{model.name}_ohm", f"exact, {model.law}", resistance, "ohm"))
    exact = resistor_for(models[0], args.supply, wanted_v)
    chosen = value_below(exact, args.series)
    large, small = pair_below(exact, args.series)
    results.append(Figure("resistor_ohm", f"next lower value of {args.series}", chosen, "ohm"))
    results.append(Figure("pair_ohm", "or two in series", f"{large:zg} + {small:zg}", "ohm"))
    return chosen


def _points(
    models: tuple[CurrentModel, ...], supply_v: float, resistance: float
) -> list[tuple[CurrentModel, OperatingPoint]]:
    """What each model gives; a bracketing model that gives the fan nothing counts as 0 V."""
    points = [(models[0], with_resistor(models[0], supply_v, resistance))]
    for model in models[1:]:
        try:
            points.append((model, with_resistor(model, supply_v, resistance)))
        except ValueError:
            stuck = OperatingPoint(0.0, supply_v / resistance, supply_v**2 / resistance)
            points.append((model, stuck))
    return points


def _behind(points: list[tuple[CurrentModel, OperatingPoint]], supply_v: float) -> list[Figure]:
    figures = []
    for model, point in points:
        figures += [
            Figure(f"fan_{model.name}_v", f"at the fan, {model.law}", point.fan_v, "V"),
            Figure(f"current_{model.name}_a", "current", point.current_a, "A"),
            Figure(f"dissipation_{model.name}_w", "resistor's heat", point.dissipation_w, "W"),
        ]
    laws = fan_laws(points[0][1].fan_v / supply_v)
    return [
        *figures,
        Figure("speed_ratio", f"speed, of full, {points[0][0].law}", laws.flow),
        Figure("flow_ratio", "flow, of full", laws.flow),
        Figure("pressure_ratio", "pressure, of full", laws.pressure),
        Figure("rise_ratio", "rise of the air, of that at full", laws.rise),
        Figure("sound_change_db", "change of sound", laws.sound_db, "dB"),
    ]


def _rating(points: list[tuple[CurrentModel, OperatingPoint]]) -> list[Figure]:
    most_w = max(point.dissipation_w for _, point in points)
    name = f"rating to buy: {RATING_FACTOR:zg} times the highest, rounded up"
    return [
        Figure("dissipation_w", "resistor's heat, highest of the models", most_w, "W"),
        Figure("rating_w", name, rating_to_buy_w(most_w), "W"),
    ]
