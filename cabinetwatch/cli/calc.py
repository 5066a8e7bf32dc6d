"""The bench sums behind a change: airflow, life, sound, dew point."""

import argparse

from cabinetwatch.cli.calc_fan import FAN_HELP, calculate_fan, configure_fan
from cabinetwatch.cli.terminal import BenchResult, Figure, number, positive, show, temperature
from cabinetwatch.clock import parse_duration
from cabinetwatch.text import UsageError
from cabinetwatch.thermal.derating import (
    BOLTZMANN_EV_K,
    DEFAULT_ACTIVATION_ENERGY_EV,
    arrhenius_factor,
    bearing_life_h,
    capacitor_life_h,
    ten_degree_factor,
)
from cabinetwatch.thermal.fan import (
    CFM_PER_M3_S,
    HEAT_CAPACITY_J_KGK,
    M3_H_PER_M3_S,
    density_kg_m3,
    flow_m3_s,
    mean_level_db,
    rise_k,
    speed_change_db,
    sum_level_db,
    without_background_db,
)
from cabinetwatch.thermal.humidity import (
    ICE,
    WATER,
    check_air,
    dew_point_c,
    frost_point_c,
    warmed_humidity_percent,
)

AIRFLOW_HELP = "the flow of air for a heat load and a permitted rise, or the rise for a flow"
_COLDEST_C = -40.0
_HOTTEST_C = 90.0


def configure_airflow(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("--heat", type=positive, required=True, metavar="W", help="heat in W")
    wanted = parser.add_mutually_exclusive_group(required=True)
    wanted.add_argument("--rise", type=positive, metavar="K", help="permitted rise of the air in K")
    wanted.add_argument("--flow-m3h", type=positive, metavar="FLOW", help="a flow in m3/h")
    wanted.add_argument("--flow-cfm", type=positive, metavar="FLOW", help="a flow in ft3/min")
    parser.add_argument(
        "--altitude",
        type=number,
        default=0.0,
        metavar="M",
        help="height above the sea (default: 0)",
    )
    parser.add_argument(
        "--air", type=number, default=20.0, metavar="C", help="air at the fan, °C (default: 20)"
    )


def calculate_airflow(args: argparse.Namespace) -> BenchResult:
    """Calculate.

    Raises:
        ValueError: figures out of range.
    """
    if not _COLDEST_C <= args.air <= _HOTTEST_C:
        raise ValueError(f"air at {args.air:zg} °C is beyond -40 to 90 °C")
    inputs = [
        Figure("heat_w", "heat", args.heat, "W"),
        Figure("altitude_m", "height above the sea", args.altitude, "m"),
        Figure("air_c", "air at the fan", args.air, "°C"),
    ]
    if args.rise is not None:
        inputs.append(Figure("rise_k", "permitted rise", args.rise, "K"))
        flow = flow_m3_s(args.heat, args.rise, args.air, args.altitude)
        results, formula = [], "Q = P / (rho cp dT)"
    else:
        flow = (
            args.flow_m3h / M3_H_PER_M3_S
            if args.flow_m3h is not None
            else args.flow_cfm / CFM_PER_M3_S
        )
        rise = rise_k(args.heat, flow, args.air, args.altitude)
        results, formula = [Figure("rise_k", "rise of the air", rise, "K")], "dT = P / (rho cp Q)"
    flows = [
        Figure("flow_m3_s", "flow", flow, "m3/s"),
        Figure("flow_m3_h", "flow", flow * M3_H_PER_M3_S, "m3/h"),
        Figure("flow_cfm", "flow", flow * CFM_PER_M3_S, "ft3/min"),
    ]
    density = density_kg_m3(args.air, args.altitude)
    return BenchResult(
        "airflow",
        f"{formula}, cp = {HEAT_CAPACITY_J_KGK:zg} J/(kg K), rho = p / (R T)",
        "heat balance of dry air; pressure by the standard atmosphere (ICAO)",
        inputs,
        [*results, *flows, Figure("density_kg_m3", "density of the air", density, "kg/m3")],
        notes=(
            (
                "All heat is taken to leave with the air: what walls carry away makes the true rise"
                " smaller; a filter or a narrow vent makes the flow smaller than the fan's figure."
            ),
        ),
        cautions=("Cover no vent, and put nothing that burns where the warm air leaves.",),
    )


DEW_POINT_HELP = "the dew point of air, and how near a surface is to it"


def configure_dew_point(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--temperature", type=number, required=True, metavar="C", help="of the air, °C"
    )
    parser.add_argument(
        "--humidity", type=number, required=True, metavar="PERCENT", help="relative humidity, %%"
    )
    parser.add_argument(
        "--surface", type=number, metavar="C", help="temperature of the coldest surface, °C"
    )


def calculate_dew_point(args: argparse.Namespace) -> BenchResult:
    """Calculate.

    Raises:
        ValueError: figures out of range.
    """
    check_air(args.temperature, args.humidity)
    dew_c = dew_point_c(args.temperature, args.humidity)
    frost_c = frost_point_c(args.temperature, args.humidity)
    inputs = [
        Figure("temperature_c", "air", args.temperature, "°C"),
        Figure("humidity_percent", "relative humidity", args.humidity, "%RH"),
    ]
    results = [Figure("dew_point_c", "dew point", dew_c, "°C")]
    source = WATER.source
    if frost_c is not None:
        results.append(Figure("frost_point_c", "frost point", frost_c, "°C"))
        source = f"{source}; frost: {ICE.source}"
    notes = ["Good to about 0.15 K above 0 °C; a sensor's 2 %RH is up to 1 K more."]
    if args.surface is not None:
        inputs.append(Figure("surface_c", "surface", args.surface, "°C"))
        wet_c = max(dew_c, frost_c) if frost_c is not None else dew_c
        at_surface = warmed_humidity_percent(args.temperature, args.humidity, args.surface)
        results += [
            Figure("margin_k", "surface above it", args.surface - wet_c, "K"),
            Figure("surface_humidity_percent", "humidity at the surface", at_surface, "%RH"),
        ]
        if args.surface <= wet_c:
            notes.append("The surface is at or below it: water or frost forms there.")
    return BenchResult(
        "dew-point",
        f"g = ln(RH/100) + a T/(b + T); Td = b g/(a - g); a = {WATER.a}, b = {WATER.b_c} °C",
        source,
        inputs,
        results,
        tuple(notes),
        ("Gear that may be wet inside stays unplugged until it is dry.",)
        if args.surface is not None
        else (),
    )


LIFE_HELP = "how life changes from one temperature to another, as ratios"


def configure_life(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--from", dest="from_c", type=temperature, required=True, metavar="C", help="before, °C"
    )
    parser.add_argument(
        "--to", dest="to_c", type=temperature, required=True, metavar="C", help="after, °C"
    )
    parser.add_argument(
        "--energy",
        type=positive,
        default=DEFAULT_ACTIVATION_ENERGY_EV,
        metavar="EV",
        help="activation energy in eV (default: 0.7)",
    )
    parser.add_argument(
        "--capacitor",
        type=positive,
        nargs=2,
        metavar=("HOURS", "AT_C"),
        help="an electrolytic capacitor's rated life, and the temperature it is rated for",
    )
    parser.add_argument(
        "--bearing",
        type=positive,
        nargs=2,
        metavar=("HOURS", "AT_C"),
        help="a fan bearing's rated life, and the temperature it is rated for",
    )


def calculate_life(args: argparse.Namespace) -> BenchResult:
    """Calculate.

    Raises:
        ValueError: figures out of range.
    """
    if args.energy > 3:
        raise ValueError(
            f"an activation energy of {args.energy:zg} eV is unheard of; give 0.3 to 1.5"
        )
    change_k = args.to_c - args.from_c
    inputs = [
        Figure("from_c", "before", args.from_c, "°C"),
        Figure("to_c", "after", args.to_c, "°C"),
        Figure("activation_energy_ev", "activation energy", args.energy, "eV"),
    ]
    arrhenius = arrhenius_factor(args.from_c, args.to_c, args.energy)
    results = [
        Figure("life_factor", "life after over before, Arrhenius", arrhenius),
        Figure("ageing_factor", "ageing after over before, Arrhenius", 1 / arrhenius),
        Figure(
            "life_factor_capacitor",
            "life after over before, ten-degree rule",
            ten_degree_factor(change_k),
        ),
    ]
    _add_rated(args, inputs, results)
    return BenchResult(
        "life",
        f"exp[(Ea/k)(1/T2 - 1/T1)], k = {BOLTZMANN_EV_K:z.6e} eV/K; 2^((T1 - T2)/10) for"
        " capacitors; bearings by 1.5 every 10 K and by 2 every 15 K",
        "Arrhenius as in the NIST/SEMATECH e-Handbook 8.1.5.1; Rubycon technical note 5-1;"
        " Jamicon, and EAO/Sanyo Denki, on fan life",
        inputs,
        results,
        notes=(
            (
                "These are ratios, not dates: they say nothing of wear, dust, surges or bad parts,"
                " and the two rules agree only from about 70 to 90 °C."
            ),
        ),
        cautions=(
            (
                "Capacitors hold their charge after the plug is out, and power supplies and UPS are"
                " for licensed people: this sum is no reason to open one."
            ),
        ),
    )


def _add_rated(args: argparse.Namespace, inputs: list[Figure], results: list[Figure]) -> None:
    """Add the hours of parts whose rated life was given."""
    if args.capacitor is not None:
        hours, at_c = args.capacitor
        inputs += _rated("capacitor", hours, at_c)
        for key, where_c in (("from", args.from_c), ("to", args.to_c)):
            life_h = capacitor_life_h(hours, at_c, where_c)
            name = f"capacitor at {where_c:zg} °C, ten-degree rule, at most 15 years"
            results.append(Figure(f"capacitor_{key}_h", name, life_h, "h"))
    if args.bearing is not None:
        hours, at_c = args.bearing
        inputs += _rated("bearing", hours, at_c)
        for key, factor, per_k in (("10k", 1.5, 10.0), ("15k", 2.0, 15.0)):
            life_h = bearing_life_h(hours, at_c, args.to_c, factor, per_k)
            name = f"bearing at {args.to_c:zg} °C, {factor:zg} every {per_k:zg} K"
            results.append(Figure(f"bearing_{key}_h", name, life_h, "h"))


def _rated(part: str, hours: float, at_c: float) -> list[Figure]:
    return [
        Figure(f"{part}_rated_h", f"rated life of the {part}", hours, "h"),
        Figure(f"{part}_rated_c", "rated at", at_c, "°C"),
    ]


SOUND_HELP = (
    "the level of several sources, a mean, a level without background, a change of fan speed"
)
_LOUDEST_DB = 200.0
_GUESS_DB = 3.0


def configure_sound(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    wanted = parser.add_mutually_exclusive_group(required=True)
    wanted.add_argument(
        "--add", type=_level, nargs="+", metavar="DB", help="levels of sources that sound together"
    )
    wanted.add_argument(
        "--mean",
        type=_timed_level,
        nargs="+",
        metavar="DB:TIME",
        help="levels with how long each lasts, such as 40:15m 30:45m",
    )
    wanted.add_argument(
        "--background",
        type=_level,
        nargs=2,
        metavar=("TOTAL_DB", "BACKGROUND_DB"),
        help="a level and the background in it, measured with the source off",
    )
    wanted.add_argument(
        "--speed",
        type=positive,
        nargs=2,
        metavar=("FROM_RPM", "TO_RPM"),
        help="a fan's speed before and after",
    )


def calculate_sound(args: argparse.Namespace) -> BenchResult:
    """Calculate.

    Raises:
        ValueError: a background louder than the whole.
    """
    if args.add is not None:
        return _add(args.add)
    if args.mean is not None:
        return _mean(args.mean)
    if args.background is not None:
        return _clean(*args.background)
    return _speed(*args.speed)


def _add(levels_db: list[float]) -> BenchResult:
    return _answer(
        "L = 10 log10 sum 10^(Li/10)",
        "sum of the powers of sources that know nothing of each other",
        [
            Figure(f"level_{i}_db", f"source {i}", level, "dB")
            for i, level in enumerate(levels_db, 1)
        ],
        Figure("level_db", "all together", sum_level_db(levels_db), "dB"),
    )


def _mean(timed: list[tuple[float, float]]) -> BenchResult:
    inputs = []
    for i, (level, duration) in enumerate(timed, 1):
        inputs.append(Figure(f"level_{i}_db", f"level {i}", level, "dB"))
        inputs.append(Figure(f"duration_{i}_s", f"for {i}", duration, "s"))
    levels, durations = zip(*timed, strict=True)
    return _answer(
        "Leq = 10 log10 (sum t 10^(L/10) / sum t)",
        "energy-mean level, IEC 61672-1 (from memory)",
        inputs,
        Figure("level_db", "mean level", mean_level_db(levels, durations), "dB"),
    )


def _clean(total_db: float, background_db: float) -> BenchResult:
    notes: tuple[str, ...] = ()
    if total_db - background_db < _GUESS_DB:
        notes = ("The two lie less than 3 dB apart: the answer is hardly more than a guess.",)
    return _answer(
        "L = 10 log10 (10^(Lt/10) - 10^(Lb/10))",
        "difference of the powers",
        [
            Figure("total_db", "with the source", total_db, "dB"),
            Figure("background_db", "background alone", background_db, "dB"),
        ],
        Figure("level_db", "source alone", without_background_db(total_db, background_db), "dB"),
        *notes,
    )


def _speed(from_rpm: float, to_rpm: float) -> BenchResult:
    return _answer(
        "dL = 50 log10 (n2 / n1)",
        "fan laws as cpemma's page on fans prints them; some take 55 for 50",
        [
            Figure("from_rpm", "speed before", from_rpm, "rpm"),
            Figure("to_rpm", "speed after", to_rpm, "rpm"),
        ],
        Figure("change_db", "change of level", speed_change_db(to_rpm / from_rpm), "dB"),
        "Noise of bearing and motor, and of drives beside the fan, does not follow this.",
    )


def _answer(
    formula: str, source: str, inputs: list[Figure], result: Figure, *notes: str
) -> BenchResult:
    return BenchResult("sound", formula, source, inputs, [result], notes)


def _level(text: str) -> float:
    level = number(text)
    if not -_LOUDEST_DB <= level <= _LOUDEST_DB:
        raise argparse.ArgumentTypeError(f"{text!r} is no sound level in dB (-200 to 200)")
    return level


def _timed_level(text: str) -> tuple[float, float]:
    level, separator, duration = text.rpartition(":")
    if not separator:
        raise argparse.ArgumentTypeError(f"{text!r} has no duration; write it like 40:15m")
    try:
        return _level(level), parse_duration(duration)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


_CALCULATIONS = {
    "fan": (FAN_HELP, configure_fan, calculate_fan),
    "airflow": (AIRFLOW_HELP, configure_airflow, calculate_airflow),
    "life": (LIFE_HELP, configure_life, calculate_life),
    "sound": (SOUND_HELP, configure_sound, calculate_sound),
    "dew-point": (DEW_POINT_HELP, configure_dew_point, calculate_dew_point),
}


def configure_calc(parser: argparse.ArgumentParser) -> None:
    """Add one parser for each calculation."""
    calculations = parser.add_subparsers(
        dest="calculation", metavar="CALCULATION", required=True, title="calculations"
    )
    for name, (help_line, configure_one, _) in _CALCULATIONS.items():
        one = calculations.add_parser(
            name, help=help_line, description=f"{help_line[0].upper()}{help_line[1:]}."
        )
        configure_one(one)
        one.add_argument("--json", action="store_true", help="print the answer as JSON")


def run_calc(args: argparse.Namespace) -> int:
    """Calculate and print formula, source, inputs and answer.

    Returns:
        0.

    Raises:
        UsageError: figures that make no sense, in one sentence.
    """
    try:
        answer = _CALCULATIONS[args.calculation][2](args)
    except ValueError as error:
        raise UsageError(f"calc {args.calculation}: {error}") from error
    show(answer, as_json=args.json)
    return 0
