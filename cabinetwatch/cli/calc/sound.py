"""`cabinetwatch calc sound`: add, average and clean levels, and the change with a fan's speed."""

import argparse

from cabinetwatch.cli.calc.answer import Answer, Figure, number, positive
from cabinetwatch.thermal.sound import (
    mean_level_db,
    speed_change_db,
    sum_level_db,
    without_background_db,
)
from cabinetwatch.times import parse_duration

SOUND_HELP = "the level of several sources, a mean, a level without background, a change of fan speed"
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


def calculate_sound(args: argparse.Namespace) -> Answer:
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


def _add(levels_db: list[float]) -> Answer:
    return _answer(
        "L = 10 log10 sum 10^(Li/10)",
        "sum of the powers of sources that know nothing of each other",
        [
            Figure(f"level_{i}_db", f"source {i}", level, "dB")
            for i, level in enumerate(levels_db, 1)
        ],
        Figure("level_db", "all together", sum_level_db(levels_db), "dB"),
    )


def _mean(timed: list[tuple[float, float]]) -> Answer:
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


def _clean(total_db: float, background_db: float) -> Answer:
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


def _speed(from_rpm: float, to_rpm: float) -> Answer:
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


def _answer(formula: str, source: str, inputs: list[Figure], result: Figure, *notes: str) -> Answer:
    return Answer("sound", formula, source, inputs, [result], notes)


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
