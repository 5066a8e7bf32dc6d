"""`cabinetwatch calc airflow`: flow for a heat load and a rise, or the rise for a flow."""

import argparse

from cabinetwatch.cli.calc.answer import Answer, Figure, number, positive
from cabinetwatch.thermal.airflow import (
    CFM_PER_M3_S,
    HEAT_CAPACITY_J_KGK,
    M3_H_PER_M3_S,
    density_kg_m3,
    flow_m3_s,
    rise_k,
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


def calculate_airflow(args: argparse.Namespace) -> Answer:
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
    return Answer(
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
