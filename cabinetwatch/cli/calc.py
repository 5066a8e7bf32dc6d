"""`cabinetwatch calc`: the bench sums behind a change: fan, airflow, life, sound, dew point."""

import argparse
import math
from dataclasses import dataclass
from typing import NamedTuple

from cabinetwatch.cli.terminal import print_json, print_table, say, tell
from cabinetwatch.text import UsageError, typeset
from cabinetwatch.thermal import derating, fan, humidity

HOW = "How this was worked out"


def run(args: argparse.Namespace) -> int:
    """Calculate and print the answer, and how it was worked out."""
    calculate = {
        "fan": _fan,
        "airflow": _airflow,
        "life": _life,
        "sound": _sound,
        "dew-point": _dew_point,
    }[args.calculation]
    try:
        answer = calculate(args)
    except ValueError as error:
        raise UsageError(f"calc {args.calculation}: {error}") from error
    _show(args.calculation, answer, as_json=args.json)
    return 0


class Figure(NamedTuple):
    """One quantity: its key in JSON (with the unit as suffix), its name for people, value, unit."""

    key: str
    name: str
    value: float | str
    unit: str = ""

    @property
    def text(self) -> str:
        """The value with its unit, four digits; powers of ten only where it would be long.

        >>> Figure("life_h", "life", 90509.7, "h").text, Figure("life_h", "life", 1.64e10).text
        ('90510 h', '1.64e+10')
        """
        written = self.value
        if not isinstance(written, str):
            written = f"{self.value:z.4g}"
            if 1e4 <= abs(float(self.value)) < 1e9:
                written = f"{float(written):z.0f}"
        return f"{written} {self.unit}".rstrip()


@dataclass(frozen=True)
class BenchResult:
    """What is printed. `notes` say what the calculation can't, `cautions` where hands get hurt.

    `answer` are the sentences that come first; without any, the first of the results do.
    """

    formula: str
    source: str
    inputs: list[Figure]
    results: list[Figure]
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    answer: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse an answer that is no number."""
        for figure in self.results:
            if isinstance(figure.value, float) and not math.isfinite(figure.value):
                raise ValueError(
                    f"with these figures the answer ({figure.name}) is beyond all numbers; check"
                    " their units"
                )


def _show(calculation: str, answer: BenchResult, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "calculation": calculation,
                "formula": answer.formula,
                "source": answer.source,
                "inputs": {figure.key: figure.value for figure in answer.inputs},
                "answer": {figure.key: figure.value for figure in answer.results},
                "notes": list(answer.notes),
                "cautions": list(answer.cautions),
            }
        )
        return
    first = answer.results[:_MOST_ANSWERS]
    for line in answer.answer or (f"{f.name[0].upper()}{f.name[1:]}: {f.text}" for f in first):
        say(typeset(line))
    print(f"\n{HOW.upper()}")
    tell(f"Formula: {answer.formula}", indent="  ")
    tell(f"Source: {answer.source}", indent="  ")
    for heading, figures in (("given", answer.inputs), ("result", answer.results)):
        print_table((heading, ""), [(f.name, typeset(f.text)) for f in figures])
    for note in answer.notes:
        tell(f"Note: {note}", indent="  ")
    for caution in answer.cautions:
        tell(f"CAUTION: {caution}", indent="  ")


_MOST_ANSWERS = 3
_HIGHEST_V = 60.0
_FAN_CAUTIONS = (
    (
        "A slowed fan must be SEEN to start from cold, at this voltage, several times, and again"
        " after a power cut: it needs more voltage to start than to keep turning."
    ),
    (
        "The resistor is hot at its dissipation, and hotter when the fan is stuck (up to {most} W"
        " where the fan shorts): keep it in the airflow, away from plastic and cables, and buy no"
        " smaller rating than the one above."
    ),
    (
        "Work with the gear unplugged. Opened gear holds mains voltage and charged capacitors; the"
        " fan of a power supply or UPS is for licensed people."
    ),
)
_FAN_NOTES = (
    (
        "Speed is taken to follow the fan's voltage in proportion (common practice, no source); a"
        " fan that is driven by PWM or limits its own speed does not."
    ),
    "Prove it: run a trial, and set min_fan_rpm where the fan reports its speed.",
)


def _fan(args: argparse.Namespace) -> BenchResult:
    if args.supply > _HIGHEST_V:
        raise ValueError(f"a supply of {args.supply:zg} V is no DC fan's (up to {_HIGHEST_V:zg} V)")
    if args.speed is not None and args.speed >= 100:
        raise ValueError(
            f"a resistor can't bring a fan to {args.speed:zg} % of its speed; give less"
        )
    if args.start is not None and args.start >= args.supply:
        raise ValueError("a fan that needs the whole supply to start can't have a resistor")
    models, made_for_v, known = _models(args)
    full_v = min(args.supply, made_for_v)
    inputs = [Figure("supply_v", "supply", args.supply, "V"), *known]
    results: list[Figure] = []
    if args.resistor is not None:
        resistance = sum(args.resistor)
        fan.check_resistor(models, args.supply, resistance, made_for_v)
        inputs.append(Figure("resistor_ohm", "resistor, in all", resistance, "ohm"))
        chosen = f"{resistance:zg} ohm in all"
    else:
        if args.voltage is not None:
            wanted_v = args.voltage
            inputs.append(Figure("wanted_v", "wanted at the fan", wanted_v, "V"))
        else:
            wanted_v = full_v * args.speed / 100
            inputs.append(Figure("wanted_percent", "wanted speed", args.speed, "%"))
        resistance, pair = _choose(args, models, wanted_v, results)
        chosen = f"{resistance:zg} ohm, or {pair} ohm in series"
    points = [_point(model, args.supply, resistance, models[0]) for model in models]
    laws = fan.fan_laws(points[0].fan_v / full_v)
    for model, point in zip(models, points, strict=True):
        results += [
            Figure(f"fan_{model.name}_v", f"at the fan, {model.law}", point.fan_v, "V"),
            Figure(f"current_{model.name}_a", "current", point.current_a, "A"),
            Figure(f"dissipation_{model.name}_w", "resistor's heat", point.dissipation_w, "W"),
        ]
    start_v, notes = args.start or fan.START_PART * made_for_v, list(_FAN_NOTES)
    lowest_v, highest_v = min(p.fan_v for p in points), max(p.fan_v for p in points)
    most_w = max(point.dissipation_w for point in points)
    rating_w = fan.rating_to_buy_w(most_w)
    rating = f"rating to buy: {fan.RATING_FACTOR:zg} times the highest, rounded up"
    results += [
        Figure("speed_ratio", f"speed, of full, {models[0].law}", laws.flow),
        Figure("flow_ratio", "flow, of full", laws.flow),
        Figure("pressure_ratio", "pressure, of full", laws.pressure),
        Figure("rise_ratio", "rise of the air, of that at full", laws.rise),
        Figure("sound_change_db", "change of sound", laws.sound_db, "dB"),
        Figure("dissipation_w", "resistor's heat, highest of the models", most_w, "W"),
        Figure("rating_w", rating, rating_w, "W"),
        Figure("start_v", "voltage it needs to start", start_v, "V"),
        Figure("start_margin_v", "lowest voltage less that", lowest_v - start_v, "V"),
    ]
    if lowest_v < start_v:
        notes.insert(
            0, f"The fan may get only {lowest_v:z.3g} V, less than {start_v:z.3g} V to start."
        )
    is_too_much = args.rated is not None and highest_v > 1.1 * args.rated[0]
    if is_too_much:
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
    gets = " to ".join(dict.fromkeys(f"{volts:z.3g} V" for volts in (lowest_v, highest_v)))
    enough = "enough" if lowest_v >= start_v else "MAYBE TOO LITTLE"
    guess = "" if args.start is not None else ", a guess"
    rated = "; ABOVE ITS RATING" if is_too_much else ""
    answer = (
        f"Resistor: {chosen}; rating: {rating_w:zg} W.",
        f"The fan gets {gets}: {enough} to start ({start_v:z.3g} V{guess}){rated}.",
        _moves(laws, lowest_v / full_v, highest_v / full_v),
    )
    return BenchResult(
        "V_fan = V_supply - R I(V_fan); P = I^2 R; flow ~ n, pressure ~ n^2, power ~ n^3,"
        " sound 50 log10(n2/n1)",
        "Kirchhoff; fan laws as cpemma's 'Basic Fan Laws' prints them; E series of IEC 60063",
        inputs,
        results,
        tuple(notes),
        tuple(each.format(most=f"{args.supply**2 / resistance:z.2g}") for each in _FAN_CAUTIONS),
        answer,
    )


def _moves(laws: fan.FanLaws, least: float, most: float) -> str:
    """Say what the fan still moves by the model to go by, and between which parts by all models."""
    flow = f"Flow: {100 * laws.flow:z.0f} % of full"
    if least < most:
        flow += f" ({100 * least:z.0f} % to {100 * most:z.0f} % by the other models)"
    return f"{flow}; sound: {laws.sound_db:+z.1f} dB."


def _models(args: argparse.Namespace) -> tuple[tuple[fan.CurrentModel, ...], float, list[Figure]]:
    """The model to go by first, then those that bracket it; what the fan is made for; its figures.

    Where a fan was measured, it is taken to be made for the supply, or more if it was seen at more.
    """
    if args.rated is not None:
        volts, amperes = args.rated
        figures = [
            Figure("rated_v", "rated voltage", volts, "V"),
            Figure("rated_a", "rated current", amperes, "A"),
        ]
        return fan.rated_models(volts, amperes), volts, figures
    v1, a1, v2, a2 = args.measured
    figures = [
        Figure("measured_1_v", "measured 1", v1, "V"),
        Figure("measured_1_a", "measured 1", a1, "A"),
        Figure("measured_2_v", "measured 2", v2, "V"),
        Figure("measured_2_a", "measured 2", a2, "A"),
    ]
    return (fan.measured_model((v1, a1), (v2, a2)),), max(v1, v2, args.supply), figures


def _choose(
    args: argparse.Namespace,
    models: tuple[fan.CurrentModel, ...],
    wanted_v: float,
    results: list[Figure],
) -> tuple[float, str]:
    """Choose the resistor by the first model, on the side of a faster fan; or a pair of them."""
    exact = [fan.resistor_for(model, args.supply, wanted_v) for model in models]
    chosen = fan.value_below(exact[0], args.series)
    large, small = fan.pair_below(exact[0], args.series)
    pair = f"{large:zg} + {small:zg}"
    for model, ohm in zip(models, exact, strict=True):
        results.append(Figure(f"exact_{model.name}_ohm", f"exact, {model.law}", ohm, "ohm"))
    results.append(Figure("resistor_ohm", f"next lower value of {args.series}", chosen, "ohm"))
    results.append(Figure("pair_ohm", "or two in series", pair, "ohm"))
    return chosen, pair


def _point(
    model: fan.CurrentModel, supply_v: float, resistance: float, main: fan.CurrentModel
) -> fan.OperatingPoint:
    """What a model gives; one that only brackets `main` and gives the fan nothing counts as 0 V."""
    try:
        return fan.with_resistor(model, supply_v, resistance)
    except ValueError:
        if model is main:
            raise
        return fan.OperatingPoint(0.0, supply_v / resistance, supply_v**2 / resistance)


def _airflow(args: argparse.Namespace) -> BenchResult:
    if not -40.0 <= args.air <= 90.0:
        raise ValueError(f"air at {args.air:zg} °C is beyond -40 to 90 °C")
    inputs = [
        Figure("heat_w", "heat", args.heat, "W"),
        Figure("altitude_m", "height above the sea", args.altitude, "m"),
        Figure("air_c", "air at the fan", args.air, "°C"),
    ]
    if args.rise is not None:
        inputs.append(Figure("rise_k", "permitted rise", args.rise, "K"))
        flow = fan.flow_m3_s(args.heat, args.rise, args.air, args.altitude)
        results, formula = [], "Q = P / (rho cp dT)"
    else:
        flow = (
            args.flow_m3h / fan.M3_H_PER_M3_S
            if args.flow_m3h is not None
            else args.flow_cfm / fan.CFM_PER_M3_S
        )
        rise = fan.rise_k(args.heat, flow, args.air, args.altitude)
        results, formula = [Figure("rise_k", "rise of the air", rise, "K")], "dT = P / (rho cp Q)"
    flows = [
        Figure("flow_m3_s", "flow", flow, "m3/s"),
        Figure("flow_m3_h", "flow", flow * fan.M3_H_PER_M3_S, "m3/h"),
        Figure("flow_cfm", "flow", flow * fan.CFM_PER_M3_S, "ft3/min"),
    ]
    density = fan.density_kg_m3(args.air, args.altitude)
    return BenchResult(
        f"{formula}, cp = {fan.HEAT_CAPACITY_J_KGK:zg} J/(kg K), rho = p / (R T)",
        "heat balance of dry air; pressure by the standard atmosphere (ICAO)",
        inputs,
        [*results, *flows, Figure("density_kg_m3", "density of the air", density, "kg/m3")],
        notes=(
            (
                "All heat is taken to leave with the air: what walls carry away makes the true rise"
                " smaller; a filter or a narrow vent makes the flow smaller than the fan's figure."
            ),
        ),
        cautions=("Never cover a vent, and put nothing that can burn where the warm air leaves.",),
    )


def _life(args: argparse.Namespace) -> BenchResult:
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
    arrhenius = derating.arrhenius_factor(args.from_c, args.to_c, args.energy)
    results = [
        Figure("life_factor", "life after over before, Arrhenius", arrhenius),
        Figure("ageing_factor", "ageing after over before, Arrhenius", 1 / arrhenius),
        Figure(
            "life_factor_capacitor",
            "life after over before, ten-degree rule",
            derating.ten_degree_factor(change_k),
        ),
    ]
    _add_rated(args, inputs, results)
    return BenchResult(
        f"exp[(Ea/k)(1/T2 - 1/T1)], k = {derating.BOLTZMANN_EV_K:z.6e} eV/K; 2^((T1 - T2)/10) for"
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
                " for licensed people: this calculation is no reason to open one."
            ),
        ),
    )


def _add_rated(args: argparse.Namespace, inputs: list[Figure], results: list[Figure]) -> None:
    """Add the hours of parts whose rated life was given."""
    if args.capacitor is not None:
        hours, at_c = args.capacitor
        inputs += _rated("capacitor", hours, at_c)
        for key, where_c in (("from", args.from_c), ("to", args.to_c)):
            life_h = derating.capacitor_life_h(hours, at_c, where_c)
            name = f"capacitor at {where_c:zg} °C, ten-degree rule, at most 15 years"
            results.append(Figure(f"capacitor_{key}_h", name, life_h, "h"))
    if args.bearing is not None:
        hours, at_c = args.bearing
        inputs += _rated("bearing", hours, at_c)
        for key, factor, per_k in (("10k", 1.5, 10.0), ("15k", 2.0, 15.0)):
            life_h = derating.bearing_life_h(hours, at_c, args.to_c, factor, per_k)
            name = f"bearing at {args.to_c:zg} °C, {factor:zg} every {per_k:zg} K"
            results.append(Figure(f"bearing_{key}_h", name, life_h, "h"))


def _rated(part: str, hours: float, at_c: float) -> list[Figure]:
    return [
        Figure(f"{part}_rated_h", f"rated life of the {part}", hours, "h"),
        Figure(f"{part}_rated_c", "rated at", at_c, "°C"),
    ]


_GUESS_DB = 3.0


def _sound(args: argparse.Namespace) -> BenchResult:
    if args.add is not None:
        levels = [
            Figure(f"level_{i}_db", f"source {i}", x, "dB") for i, x in enumerate(args.add, 1)
        ]
        return _level(
            "L = 10 log10 sum 10^(Li/10)",
            "sum of the powers of sources that know nothing of each other",
            levels,
            Figure("level_db", "all together", fan.sum_level_db(args.add), "dB"),
        )
    if args.mean is not None:
        inputs = []
        for i, (level_db, duration_s) in enumerate(args.mean, 1):
            inputs.append(Figure(f"level_{i}_db", f"level {i}", level_db, "dB"))
            inputs.append(Figure(f"duration_{i}_s", f"for {i}", duration_s, "s"))
        return _level(
            "Leq = 10 log10 (sum t 10^(L/10) / sum t)",
            "energy-mean level, IEC 61672-1 (from memory)",
            inputs,
            Figure(
                "level_db", "mean level", fan.mean_level_db(*zip(*args.mean, strict=True)), "dB"
            ),
        )
    if args.background is not None:
        total_db, background_db = args.background
        guess = "The two lie less than 3 dB apart: the answer is hardly more than a guess."
        alone_db = fan.without_background_db(total_db, background_db)
        return _level(
            "L = 10 log10 (10^(Lt/10) - 10^(Lb/10))",
            "difference of the powers",
            [
                Figure("total_db", "with the source", total_db, "dB"),
                Figure("background_db", "background alone", background_db, "dB"),
            ],
            Figure("level_db", "source alone", alone_db, "dB"),
            *([guess] if total_db - background_db < _GUESS_DB else []),
        )
    from_rpm, to_rpm = args.speed
    return _level(
        "dL = 50 log10 (n2 / n1)",
        "fan laws as cpemma's page on fans prints them; some take 55 for 50",
        [
            Figure("from_rpm", "speed before", from_rpm, "rpm"),
            Figure("to_rpm", "speed after", to_rpm, "rpm"),
        ],
        Figure("change_db", "change of level", fan.speed_change_db(to_rpm / from_rpm), "dB"),
        "Noise of bearing and motor, and of drives beside the fan, does not follow this.",
    )


def _level(
    formula: str, source: str, inputs: list[Figure], result: Figure, *notes: str
) -> BenchResult:
    return BenchResult(formula, source, inputs, [result], notes)


_WETS = "water or frost forms there"


def _dew_point(args: argparse.Namespace) -> BenchResult:
    humidity.check_air(args.temperature, args.humidity)
    dew_c = humidity.dew_point_c(args.temperature, args.humidity)
    frost_c = humidity.frost_point_c(args.temperature, args.humidity)
    inputs = [
        Figure("temperature_c", "air", args.temperature, "°C"),
        Figure("humidity_percent", "relative humidity", args.humidity, "%RH"),
    ]
    results = [Figure("dew_point_c", "dew point", dew_c, "°C")]
    source = humidity.WATER.source
    if frost_c is not None:
        results.append(Figure("frost_point_c", "frost point", frost_c, "°C"))
        source = f"{source}; frost: {humidity.ICE.source}"
    notes = ["Good to about 0.15 K above 0 °C; a sensor's 2 %RH is up to 1 K more from 35 %RH."]
    answer: tuple[str, ...] = ()
    if args.surface is not None:
        inputs.append(Figure("surface_c", "surface", args.surface, "°C"))
        wet_c = max(dew_c, frost_c) if frost_c is not None else dew_c
        at_surface = humidity.warmed_humidity_percent(args.temperature, args.humidity, args.surface)
        results += [
            Figure("margin_k", "surface above it", args.surface - wet_c, "K"),
            Figure("surface_humidity_percent", "humidity at the surface", at_surface, "%RH"),
        ]
        if args.surface <= wet_c:
            notes.append(f"The surface is at or below it: {_WETS}.")
        point = results[0] if wet_c == dew_c else results[1]
        side, wets = ("above", ".") if args.surface > wet_c else ("below", f": {_WETS}.")
        apart = f"The surface is {abs(args.surface - wet_c):z.1f} K {side} it{wets}"
        answer = (f"{point.name.capitalize()}: {wet_c:z.1f} °C.", apart)
    return BenchResult(
        "g = ln(RH/100) + a T/(b + T); Td = b g/(a - g);"
        f" a = {humidity.WATER.a}, b = {humidity.WATER.b_c} °C",
        source,
        inputs,
        results,
        tuple(notes),
        ("Gear that may be wet inside stays unplugged until it is dry.",)
        if args.surface is not None
        else (),
        answer,
    )
