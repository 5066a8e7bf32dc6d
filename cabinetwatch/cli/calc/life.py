"""`cabinetwatch calc life`: what a change of temperature does to life."""

import argparse

from cabinetwatch.cli.calc.answer import Answer, Figure, positive, temperature
from cabinetwatch.thermal.life import (
    BOLTZMANN_EV_K,
    DEFAULT_ACTIVATION_ENERGY_EV,
    arrhenius_factor,
    bearing_life_h,
    capacitor_life_h,
    ten_degree_factor,
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


def calculate_life(args: argparse.Namespace) -> Answer:
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
    return Answer(
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
