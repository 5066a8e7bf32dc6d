"""`cabinetwatch calc dew-point`: where water comes out of the air."""

import argparse

from cabinetwatch.cli.calc.answer import Answer, Figure, number
from cabinetwatch.thermal.humidity import (
    ICE,
    WATER,
    check_air,
    dew_point_c,
    frost_point_c,
    warmed_humidity_percent,
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


def calculate_dew_point(args: argparse.Namespace) -> Answer:
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
    return Answer(
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
