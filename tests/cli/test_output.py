"""Tables and lines: drawn on a terminal, plain elsewhere, never a control character."""

import io
import json
import re
from contextlib import redirect_stdout

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.cli.terminal import print_json, print_table, say
from cabinetwatch.text import NBSP, printable


class Terminal(io.StringIO):
    """What says that it is a terminal."""

    def isatty(self) -> bool:
        return True


ROWS = [("nas", "31.5"), ("av-amplifier with a long name", "8.0")]


def test_elsewhere_than_on_a_terminal_a_table_is_plain_columns() -> None:
    out = io.StringIO()
    with redirect_stdout(out):
        print_table(("device", "rise"), ROWS, right=[1])
    assert out.getvalue().splitlines() == [
        "device                         rise",
        "nas                            31.5",
        "av-amplifier with a long name   8.0",
    ]


def test_a_plain_table_is_never_cut() -> None:
    out = io.StringIO()
    with redirect_stdout(out):
        print_table(("text",), [("x" * 500,)])
    assert "x" * 500 in out.getvalue()


def test_a_plain_table_is_folded_to_as_many_columns_as_there_are() -> None:
    out = io.StringIO()
    with redirect_stdout(out):
        print_table(("device", "rise"), ROWS, right=[1], most_columns=20)
    assert out.getvalue().splitlines() == [
        "device          rise",
        "nas             31.5",
        "av-amplifier     8.0",
        "with a long",
        "name",
    ]


def test_a_table_without_rows_has_its_headings() -> None:
    out = io.StringIO()
    with redirect_stdout(out):
        print_table(("device", "rise"), [])
    assert out.getvalue() == "device  rise\n"


def test_on_a_terminal_a_table_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    out = Terminal()
    with redirect_stdout(out):
        print_table(("device", "rise"), ROWS)
    assert "─" in out.getvalue()


def test_a_drawn_table_of_eight_columns_of_figures_fits_80_columns(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    headings = ("Device", "Now", "Ambient", "Rise", "Load", "Fan", "Threshold", "Margin")
    row = [
        "PoE switch",
        "40.1 °C",
        "22.1 °C",
        "18.0 K",
        "1042.3 W",
        "12479 rpm",
        "59.1 °C",
        "-1.1 K",
    ]
    out = Terminal()
    with redirect_stdout(out):
        print_table(headings, [row], right=range(1, 8))
    heading, _, cells = out.getvalue().splitlines()
    plain = re.sub(r"\x1b\[[0-9;]*m", "", heading)
    assert [*plain.split(), *re.split(r"  +", cells.strip())] == [*headings, *row]


def test_markup_in_a_cell_is_shown_as_it_is() -> None:
    out = Terminal()
    with redirect_stdout(out):
        print_table(("[bold]device",), [("[red]nas[/red]",)])
    assert "[red]nas[/red]" in out.getvalue()
    assert "[bold]device" in out.getvalue()


@pytest.mark.parametrize("kind", [io.StringIO, Terminal])
def test_control_characters_in_a_cell_are_escaped(kind: type[io.StringIO]) -> None:
    out = kind()
    with redirect_stdout(out):
        print_table(("device",), [("a\x07b\x9bc\u202ed\ne",)])
    shown = out.getvalue()
    assert "a\\x07b\\x9bc\\u202ed\\ne" in shown


def test_a_line_is_escaped() -> None:
    out = io.StringIO()
    say("warm\r\n\x1b]0;title\x07", out)
    assert out.getvalue() == "warm\\r\\n\\x1b]0;title\\x07\n"


def test_json_has_no_letter_beyond_ascii_and_no_nan() -> None:
    out = io.StringIO()
    with redirect_stdout(out):
        print_json({"text": "9 °C\x9b\u202e"})
    assert out.getvalue().isascii()
    assert json.loads(out.getvalue()) == {"text": "9 °C\x9b\u202e"}
    with pytest.raises(ValueError, match="not JSON compliant"):
        print_json(float("nan"))


@given(st.text(st.characters()))
def test_whatever_comes_in_comes_out_printable(text: str) -> None:
    shown = printable(text)
    # The blank that keeps a number with its unit moves no cursor and ends no line.
    assert shown.replace(NBSP, " ").isprintable()
    assert shown.encode("utf-8").decode("utf-8") == shown
    assert text == shown or not text.isprintable()


def test_on_the_narrowest_terminal_nothing_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "24")
    monkeypatch.setenv("TERM", "xterm")
    out = Terminal()
    with redirect_stdout(out):
        print_table(("ID", "State"), [("abcd1234", "unacknowledged")])
    plain = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    assert "…" not in plain
    shown = "".join(letter for letter in plain if letter.isalnum())
    assert sorted(shown) == sorted("IDStateabcd1234unacknowledged")
