"""The manual and what else is written for people: true to the program, and short enough."""

import argparse
import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.cli.commands import COMMANDS, parser_of
from cabinetwatch.cli.main import main
from cabinetwatch.cli.terminal import MANUAL, topics_of
from cabinetwatch.notify.channels import _for_programs
from cabinetwatch.service.publisher import read_command
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import AlarmState
from tests import rationalised
from tests.config.test_example import lines as example_lines
from tests.notify.samples import make_config
from tests.notify.test_http_channel import the_notice
from tests.support.written import part

ROOT = Path(__file__).parents[2]
TOPICS = sorted(path.stem for path in MANUAL.glob("*.md") if path.stem != "README")
GUIDES = ["README.md", "DEVELOPERS.md"]
RESULTS = ["tests/benchmarks/RESULTS.md", "tests/faults/README.md"]
WRITTEN = [*GUIDES, *RESULTS, *(str(path.relative_to(ROOT)) for path in MANUAL.glob("*.md"))]
FOR_OWNERS = ["README.md", *(each for each in WRITTEN if each.startswith("cabinetwatch/"))]
_LINK = re.compile(r"\[[^]]+\]\(([^)\s]+)\)")


def read(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def shown(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(["manual", *arguments]) == 0
    return capsys.readouterr().out


# -- the command --------------------------------------------------------------------------------


def test_without_a_topic_all_of_them_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    listed = re.findall(r"^ • ([a-z]+): ", shown(capsys), flags=re.MULTILINE)
    assert sorted(listed) == TOPICS


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_fits_a_terminal_of_80_columns(
    topic: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(capsys, topic)
    assert [line for line in text.splitlines() if len(line) > 80] == []
    # Code is shown line by line: what is folded can't be copied.
    flat = " ".join(text.split())
    for line in code(read(f"cabinetwatch/manual/{topic}.md")):
        assert " ".join(line.split()) in flat
        assert len(line) <= 78, line


def test_an_unknown_topic_is_refused_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["manual", "lerning"]) == 2
    said = capsys.readouterr().err
    assert said == "cabinetwatch manual: there is no topic lerning; the nearest is learning\n"


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_each_command_names_its_topic(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert COMMANDS[name].manual in TOPICS
    with pytest.raises(SystemExit):
        main([name, "--help"])
    help_text = " ".join(capsys.readouterr().out.split())
    assert f"`cabinetwatch manual {COMMANDS[name].manual}` tells more." in help_text


def test_a_mistake_in_the_configuration_names_the_topic_of_its_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    path.write_text('[sensors.a]\ntopic = ""\n[notify.http]\nurl = "nowhere"\n')
    assert main(["check", "--config", str(path)]) == 2
    *_, one, two = capsys.readouterr().err.splitlines()
    assert (one, two) == (
        "`cabinetwatch manual people` tells more.",
        "`cabinetwatch manual sensors` tells more.",
    )


# -- length and links ---------------------------------------------------------------------------


def test_readme_and_guide_stay_short() -> None:
    assert len(read("README.md").splitlines()) <= 180
    assert len(read("DEVELOPERS.md").splitlines()) <= 250


def anchors(text: str) -> set[str]:
    """The names that a page of Markdown gives its headings."""
    headings = re.findall(r"^#+ (.*)$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w -]", "", each.lower()).replace(" ", "-") for each in headings}


@pytest.mark.parametrize("name", WRITTEN)
def test_every_link_leads_somewhere(name: str) -> None:
    text = read(name)
    for link in _LINK.findall(text):
        path, _, anchor = link.partition("#")
        target = (ROOT / name).parent / path if path else ROOT / name
        assert target.exists(), link
        assert not anchor or anchor in anchors(target.read_text(encoding="utf-8")), link


def test_where_it_is_installed_every_link_of_owners_leads_somewhere() -> None:
    """install.sh keeps the folders, so a link holds where its file is installed."""
    (patterns,) = re.findall(r'^DOCUMENTED="([^"]*)"$', read("deploy/system.sh"), re.MULTILINE)
    installed = {path for each in patterns.split() for path in ROOT.glob(each)}
    for name in FOR_OWNERS:
        assert ROOT / name in installed
        for link in _LINK.findall(read(name)):
            path = link.partition("#")[0]
            target = ((ROOT / name).parent / path).resolve()
            assert not path or target in installed, f"{name}: {link}"


# -- commands -----------------------------------------------------------------------------------


def code(text: str) -> list[str]:
    """The lines of a page's code, without their indent."""
    return [line[4:] for line in text.splitlines() if line.startswith("    ")]


def command_lines(text: str) -> Iterator[list[str]]:
    """The arguments of each command of ours in a page's code."""
    joined = "\n".join(code(text)).replace("\\\n", " ")
    for line in joined.splitlines():
        found = re.match(r"(?:sudo )?cabinetwatch (.*)", line.strip())
        if found:
            words = shlex.split(found[1], comments=True)
            yield words[: words.index(">")] if ">" in words else words


@pytest.mark.parametrize("name", FOR_OWNERS)
def test_every_command_in_code_is_taken_by_its_parser(name: str) -> None:
    for first, *arguments in command_lines(read(name)):
        parser_of(first).parse_args(arguments)


@pytest.mark.parametrize("name", [*WRITTEN, "config.example.toml"])
def test_every_command_that_is_named_exists(name: str) -> None:
    for span in re.findall(r"`([^`\n]+)`", read(name)):
        found = re.match(r"(?:sudo )?cabinetwatch ([a-z]+)(.*)", span)
        if found:
            assert found[1] in COMMANDS, span
            parser = _parser_for(found[1], found[2].split())
            known = {option for action in parser._actions for option in action.option_strings}
            assert set(re.findall(r"--[a-z-]+", found[2])) <= known, span


def _parser_for(name: str, words: list[str]) -> argparse.ArgumentParser:
    """The parser of a command, or of its deed."""
    parser: argparse.ArgumentParser = parser_of(name)
    deeds: dict[str, argparse.ArgumentParser] = {}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            deeds |= action.choices
    return deeds.get(words[0] if words else "", parser)


def test_the_manual_has_every_command() -> None:
    rows = re.findall(r"^\| `cabinetwatch ([a-z]+)", read("cabinetwatch/manual/commands.md"), re.M)
    assert set(rows) == set(COMMANDS)


# -- the configuration --------------------------------------------------------------------------


def _general(table: str) -> str:
    """The table as headings of the manual name it."""
    named = {"sensors": "sensors.ID", "devices": "devices.ID", "alarms": "alarms.CONDITION"}
    people = re.sub(r"^notify\.people\..*", "notify.people.ID", table)
    return named.get(table.partition(".")[0], people)


def keys_told() -> dict[str, set[str]]:
    """The keys that the manual's tables explain, by the table of the configuration."""
    told: dict[str, set[str]] = {}
    for topic in TOPICS:
        for section in re.split(r"^(?=#)", read(f"cabinetwatch/manual/{topic}.md"), flags=re.M):
            heading, _, body = section.partition("\n")
            for table in re.findall(r"`\[([\w.]+)\]`", heading):
                rows = body.partition("| key | meaning |\n")[2].partition("\n\n")[0]
                told[table] = set(fields(rows))
    return told


def test_every_key_of_the_example_is_explained_and_no_other() -> None:
    wanted: dict[str, set[str]] = {}
    for line in example_lines():
        wanted.setdefault(_general(line.table), set()).add(line.key)
    assert keys_told() == wanted


def test_every_table_has_one_topic() -> None:
    for table in {_general(line.table) for line in example_lines()}:
        assert len(topics_of([table.partition(".")[0] if "ID" in table else table])) >= 1, table


# -- alarms and messages ------------------------------------------------------------------------


def test_each_alarm_is_rationalised_as_its_class_says() -> None:
    assert part(rationalised.MANUAL, rationalised.MARK) == rationalised.rationalised()


def test_the_states_are_those_of_the_engine() -> None:
    text = read("cabinetwatch/manual/alarms.md").partition("## States")[2].partition("\n## ")[0]
    assert re.findall(r"^\| `([a-z-]+)`", text, re.M) == [each.value for each in AlarmState]


def people(heading: str) -> str:
    """One part of the topic of people and channels."""
    text = read("cabinetwatch/manual/people.md")
    return text.partition(f"\n## {heading}")[2].partition("\n## ")[0]


def fields(rows: str) -> list[str]:
    """The fields that the rows of tables in a part of the manual explain."""
    cells = re.findall(r"^\| ((?:`[a-z_0-9]+`(?:, )?)+) \|", rows, re.M)
    return [name for cell in cells for name in re.findall(r"`([a-z_0-9]+)`", cell)]


def test_every_field_of_the_json_is_explained() -> None:
    sent = _for_programs(the_notice(), None)
    example: dict[str, Any] = json.loads("\n".join(code(people("The JSON"))))
    own, _, account = people("The JSON").partition("| field of `incident`")
    assert set(fields(own)) == set(sent) == set(example)
    assert set(fields(account)) == set(sent["incident"]) == set(example["incident"])


def test_every_live_figure_is_explained() -> None:
    config = make_config()
    figures = next(iter(Engine(config).device_figures().values()))
    told = people("MQTT: what it publishes").partition("| field of `device/ID`")[2]
    assert set(fields(told)) == {*figures, "time"}
    stages = re.findall(r"`([a-z_]+)`", told.partition("| `learning` |")[2].partition("\n")[0])
    assert set(stages) == set(figures["learning"])


def test_the_examples_of_commands_over_mqtt_are_taken() -> None:
    text = people("MQTT: commands")
    examples = [line for line in code(text) if line.startswith("{")]
    examples += re.findall(r"-m '(.*)'", text)
    assert [read_command(each.encode())["command"] for each in examples] == ["ack", "shelve", "ack"]


def test_the_access_list_in_the_manual_is_the_one_that_is_shipped() -> None:
    shipped = read("deploy/mosquitto/cabinetwatch.acl")
    *_, block = re.split(r"\n\n(?=    user)", people("MQTT: commands"))
    assert "\n".join(code(block)) in shipped
