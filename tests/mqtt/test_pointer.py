"""JSON Pointers against the examples of RFC 6901."""

import json

import pytest

from cabinetwatch.mqtt.decoding import Missing, Pointer

# RFC 6901, section 5.
DOCUMENT = json.loads(
    r"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5,
    "k\"l": 6, " ": 7, "m~n": 8}"""
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", DOCUMENT),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_resolves_the_examples_of_rfc_6901(text: str, value: object) -> None:
    """RFC 6901, section 5."""
    assert Pointer(text).resolve(DOCUMENT) == value


def test_unescapes_a_slash_before_a_tilde() -> None:
    """RFC 6901, section 4: ~01 is the key ~1."""
    assert Pointer("/~01").resolve({"~1": "right", "/": "wrong"}) == "right"


@pytest.mark.parametrize("text", ["foo", " /foo", "/~2", "/~"])
def test_refuses_what_is_no_pointer(text: str) -> None:
    """RFC 6901, section 3."""
    with pytest.raises(ValueError, match="no JSON Pointer"):
        Pointer(text)


@pytest.mark.parametrize(
    "text",
    ["/foo/2", "/foo/00", "/foo/01", "/foo/-1", "/foo/1e0", "/foo/-", "/nope", "/foo/0/0", "/ /x"],
)
def test_finds_nothing_where_there_is_nothing(text: str) -> None:
    """RFC 6901, section 4: no leading zeros or signs; - is the element past the end."""
    with pytest.raises(Missing):
        Pointer(text).resolve(DOCUMENT)


def test_goes_through_lists_within_objects() -> None:
    document = {"probes": [{"value": 1}, {"value": 2}]}
    assert Pointer("/probes/1/value").resolve(document) == 2


def test_a_dash_is_an_ordinary_key_of_an_object() -> None:
    assert Pointer("/-").resolve({"-": 5}) == 5
    assert Pointer("/list/0/-").resolve({"list": [{"-": 5}]}) == 5
