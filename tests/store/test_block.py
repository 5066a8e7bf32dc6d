"""Blocks give back every reading, bit for bit, and tell damage."""

import random
import struct
import zlib

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cabinetwatch.store.codecs import decode_block, encode_block
from cabinetwatch.watch.events import Quality, Reading

SENSORS = [f"sensor-{number}" for number in range(300)]
NUMBERS = {name: 7 + 40 * position for position, name in enumerate(SENSORS)}
NAMES = {number: name for name, number in NUMBERS.items()}

any_double = st.floats(allow_nan=False, allow_infinity=False, allow_subnormal=True)
decimals = st.builds(
    lambda n, places: n / 10**places, st.integers(-(10**7), 10**7), st.integers(0, 4)
)
readings = st.builds(
    Reading,
    st.sampled_from(SENSORS[:3]) | st.sampled_from(SENSORS),
    st.integers(-(2**60), 2**60) | st.integers(1_782_900_000_000, 1_782_900_060_000),
    any_double | decimals,
    st.sampled_from(Quality),
)


def bits(reading: Reading) -> tuple[str, int, bytes, Quality]:
    return reading.sensor, reading.t, struct.pack("<d", reading.value), reading.quality


def round_trip(told: list[Reading]) -> list[Reading]:
    return list(decode_block(encode_block(told, NUMBERS.__getitem__), NAMES))


@settings(deadline=None)
@given(st.lists(readings, min_size=1))
@example([Reading("sensor-0", 0, -0.0)])
@example([Reading("sensor-0", 0, 5e-324), Reading("sensor-0", 0, 2.2250738585072014e-308)])
@example([Reading("sensor-0", 0, 1.7976931348623157e308), Reading("sensor-0", 0, 0.1)])
@example([Reading("sensor-0", 0, 2.0**53), Reading("sensor-0", 0, -(2.0**53) + 1)])
@example([Reading("sensor-0", 5, 0.1 + 0.2), Reading("sensor-1", 3, 0.3)])
def test_every_reading_comes_back_in_order_and_bit_for_bit(told: list[Reading]) -> None:
    assert [*map(bits, round_trip(told))] == [*map(bits, told)]


def test_readings_come_back_as_the_type_they_were() -> None:
    (back,) = round_trip([Reading("sensor-1", 12, 21.5, Quality.LATE)])
    assert type(back) is Reading
    assert type(back.t) is int
    assert type(back.value) is float
    assert back.quality is Quality.LATE


@pytest.mark.parametrize("sensors", [1, 128, 129, 300])
def test_any_number_of_sensors_fits(sensors: int) -> None:
    told = [Reading(name, 1000 + n, n / 10) for n, name in enumerate(SENSORS[:sensors] * 2)]
    assert round_trip(told) == told


def test_decimals_take_a_quarter_of_what_doubles_with_all_their_digits_take() -> None:
    source = random.Random(4)
    exact = [source.uniform(20.0, 45.0) for _ in range(250)]

    def size(values: list[float]) -> int:
        told = [Reading(SENSORS[n % 50], 40 * n, value) for n, value in enumerate(values)]
        return len(encode_block(told, NUMBERS.__getitem__))

    rounded = [round(value, 1) for value in exact]
    assert size(rounded) < size(exact) / 4


@pytest.mark.parametrize("position", range(2, 60, 7))
def test_a_block_with_a_flipped_bit_is_refused(position: int) -> None:
    packed = bytearray(encode_block([reading_number(n) for n in range(60)], NUMBERS.__getitem__))
    packed[position] ^= 0x10
    with pytest.raises(ValueError, match="damaged"):
        list(decode_block(bytes(packed), NAMES))


def test_a_block_cut_short_is_refused() -> None:
    packed = encode_block([reading_number(n) for n in range(60)], NUMBERS.__getitem__)
    with pytest.raises(ValueError, match="damaged"):
        list(decode_block(packed[:-5], NAMES))


def test_a_block_of_another_format_is_refused() -> None:
    packed = bytearray(zlib.decompress(encode_block([reading_number(1)], NUMBERS.__getitem__)))
    packed[0] = 99
    with pytest.raises(ValueError, match="unknown format 99"):
        list(decode_block(zlib.compress(packed), NAMES))


def test_a_block_of_a_sensor_without_a_name_is_refused() -> None:
    packed = encode_block([reading_number(1)], NUMBERS.__getitem__)
    with pytest.raises(ValueError, match="unknown sensor number 47"):
        list(decode_block(packed, {7: "sensor-0"}))


def reading_number(n: int) -> Reading:
    return Reading(SENSORS[n % 5], 1000 * n + n * n % 13, n * 1.25)
