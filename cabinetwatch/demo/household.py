"""The demonstration's cabinet: a NAS, a small PoE switch, a UPS and an AV amplifier."""

from cabinetwatch.demo.cabinet import Cabinet
from cabinetwatch.demo.device import Build, SimulatedDevice

NAS = Build(
    heat_share=1.0,
    part_j_k=900.0,
    chassis_j_k=3500.0,
    part_to_chassis_w_k=1.5,
    chassis_to_air_w_k=1.2,
    vent_w_k=0.3,
    fan_rpm=1500.0,
    fan_flow_m3_s=0.0022,
)
SWITCH = Build(
    heat_share=0.6,
    part_j_k=300.0,
    chassis_j_k=900.0,
    part_to_chassis_w_k=2.0,
    chassis_to_air_w_k=0.9,
    vent_w_k=0.5,
)
UPS = Build(
    heat_share=1.0,
    part_j_k=1500.0,
    chassis_j_k=9000.0,
    part_to_chassis_w_k=2.5,
    chassis_to_air_w_k=1.8,
    vent_w_k=0.6,
)
AMPLIFIER = Build(
    heat_share=0.9,
    part_j_k=2500.0,
    chassis_j_k=6000.0,
    part_to_chassis_w_k=4.0,
    chassis_to_air_w_k=2.4,
    vent_w_k=2.0,
)


def under_stairs(
    *, start_hour: float, seed: int, dust_per_day: float = 0.0, step_s: float = 1.0
) -> Cabinet:
    """Give the cabinet as it stands after hours of ordinary running."""
    cabinet = Cabinet(
        {
            "nas": SimulatedDevice(NAS, _nas_load_w, 20.0),
            "switch": SimulatedDevice(SWITCH, _switch_load_w, 20.0),
            "ups": SimulatedDevice(UPS, _ups_load_w, 20.0),
            "amplifier": SimulatedDevice(AMPLIFIER, _amplifier_load_w, 20.0),
        },
        start_hour=start_hour,
        seed=seed,
        dust_per_day=dust_per_day,
        step_s=step_s,
    )
    cabinet.settle()
    return cabinet


def _nas_load_w(hour: float) -> float:
    """The nightly backup makes the disks work."""
    return 54.0 if 2.0 <= hour < 3.5 else 42.0


def _switch_load_w(hour: float) -> float:
    """The cameras it feeds light up the night."""
    return 34.0 if hour < 7.0 or hour >= 21.0 else 30.0


def _ups_load_w(hour: float) -> float:
    """Its own losses: what it draws less what it hands on."""
    del hour
    return 14.0


def _amplifier_load_w(hour: float) -> float:
    """Music in the evening, standby otherwise."""
    return 62.0 if 18.5 <= hour < 23.0 else 6.0
