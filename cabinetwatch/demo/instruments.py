"""What is measured in the demonstration's cabinet: every probe, and the nodes that carry them."""

from dataclasses import dataclass

from cabinetwatch.demo.cabinet import Cabinet
from cabinetwatch.demo.nodes import Node, bare_number, json_object, senml_pack
from cabinetwatch.demo.probe import Probe

INTERVAL_S = 10.0


@dataclass(frozen=True)
class Instruments:
    """The probes by the sensor IDs of the demonstration's configuration, and their nodes."""

    probes: dict[str, Probe]
    nodes: list[Node]


def instrument(cabinet: Cabinet, seed: int) -> Instruments:
    """Fit the cabinet with probes: thermometers, plugs with a power meter, a fan's tachometer."""
    nas, switch = cabinet.devices["nas"], cabinet.devices["switch"]
    ups, amplifier = cabinet.devices["ups"], cabinet.devices["amplifier"]
    probes = {
        "hall-air": Probe(lambda: cabinet.hall_c, noise=0.05, resolution=0.1, seed=seed),
        "cabinet-air": Probe(lambda: cabinet.air_c, noise=0.05, resolution=0.0625, seed=seed + 1),
        "nas-air": Probe(lambda: nas.part_c, noise=0.1, resolution=0.1, seed=seed + 2),
        "nas-power": Probe(lambda: nas.power_w, noise=0.1, resolution=0.1, seed=seed + 3),
        "nas-fan": Probe(lambda: nas.fan_rpm, noise=2.0, resolution=30.0, seed=seed + 4),
        "switch-air": Probe(lambda: switch.part_c, noise=0.1, resolution=0.0625, seed=seed + 5),
        "switch-power": Probe(lambda: switch.power_w, noise=0.1, resolution=0.1, seed=seed + 6),
        "ups-air": Probe(lambda: ups.part_c, noise=0.1, resolution=0.5, seed=seed + 7),
        "ups-power": Probe(lambda: ups.power_w, noise=0.1, resolution=0.1, seed=seed + 8),
        "amplifier-air": Probe(lambda: amplifier.part_c, noise=0.1, resolution=0.1, seed=seed + 9),
        "amplifier-power": Probe(
            lambda: amplifier.power_w, noise=0.2, resolution=0.1, seed=seed + 10
        ),
    }
    return Instruments(probes, _nodes(probes))


def _nodes(probes: dict[str, Probe]) -> list[Node]:
    return [
        Node("hall", INTERVAL_S, {"house/hall": json_object({"temperature": probes["hall-air"]})}),
        Node("cabinet", INTERVAL_S, {"house/cabinet/air": bare_number(probes["cabinet-air"])}),
        Node(
            "nas",
            INTERVAL_S,
            {
                "house/cabinet/nas": json_object(
                    {
                        "temperature": probes["nas-air"],
                        "fan": {"rpm": probes["nas-fan"]},
                        "plug": {"power": probes["nas-power"]},
                    }
                )
            },
        ),
        Node(
            "switch",
            INTERVAL_S,
            {
                "house/cabinet/switch/temperature": bare_number(probes["switch-air"]),
                "house/cabinet/switch/power": bare_number(probes["switch-power"]),
            },
        ),
        Node(
            "ups",
            INTERVAL_S,
            {
                "house/cabinet/ups": senml_pack(
                    "ups/",
                    {
                        "temperature": (probes["ups-air"], "Cel"),
                        "power": (probes["ups-power"], "W"),
                    },
                )
            },
        ),
        Node(
            "amplifier",
            INTERVAL_S,
            {
                "house/cabinet/amplifier": json_object(
                    {"temperature": probes["amplifier-air"], "power": probes["amplifier-power"]}
                )
            },
        ),
    ]
