"""The recipes of the manual, taken out of it and run against a server and with a program."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from cabinetwatch.cli.terminal import MANUAL
from cabinetwatch.config.model import Config
from cabinetwatch.notify.channels import CommandChannel, HttpChannel
from cabinetwatch.notify.delivery import Attempt
from cabinetwatch.store.records import Notice, NoticeKind
from cabinetwatch.watch.conditions import load_config
from tests.notify.test_command_channel import the_notice as the_command_notice
from tests.notify.test_http_channel import Server, server, the_notice

__all__ = ["server"]

RECIPES = (MANUAL / "people.md").read_text(encoding="utf-8").partition("## Recipes")[2]


def lay_out(heading: str, folder: Path, **changes: str) -> Config:
    """Write the files of a recipe into a folder, and read its configuration."""
    recipe = RECIPES.partition(f"### {heading}\n")[2].partition("\n##")[0]
    for text, block in re.findall(r"\n((?:\S.*\n)+)\n((?:    .*\n|\n(?=    ))+)", recipe):
        if name := re.search(r"[Ii]n `([a-z.-]+)`", text):
            content = re.sub(r"^    ", "", block, flags=re.MULTILINE).strip() + "\n"
            for old, new in changes.items():
                content = content.replace(f"https://{old}.example", new)
            (folder / name[1]).write_text(content)
            (folder / name[1]).chmod(0o700 if content.startswith("#!") else 0o600)
    return load_config(folder / "config.toml")


def post(config: Config, notice: Notice) -> Attempt:
    assert config.notify.http is not None
    return HttpChannel(config.notify.http).send(notice, HttpChannel.recipients)


def test_a_push_service_gets_the_headline_and_what_to_do(server: Server, tmp_path: Path) -> None:
    here = f"http://127.0.0.1:{server.port}"
    config = lay_out("A push service that takes a POST", tmp_path, push=here)
    assert post(config, the_notice()).accepted
    assert post(config, the_notice(over=True)).accepted
    (path, headers, opened), (_, _, over) = server.requests
    account = the_notice().accounts[0]
    assert path == "/cabinet"
    assert headers["Authorization"] == "Bearer your-token"
    assert headers["Title"] == "Cabinet"
    assert opened.decode().splitlines() == [
        f"{account.headline} (opened)",
        account.now,
        f"What to do: {account.response}",
    ]
    assert "What to do" not in over.decode()


def test_a_gateway_gets_json_whatever_stands_in_the_text(server: Server, tmp_path: Path) -> None:
    here = f"http://127.0.0.1:{server.port}"
    config = lay_out("A message by a gateway", tmp_path, gateway=here)
    notice = the_notice()
    spoilt = replace(notice.accounts[0], now='It is "hot" \\ and\nworse.')
    assert post(config, replace(notice, accounts=(spoilt,))).accepted
    ((path, headers, body),) = server.requests
    assert path == "/messages"
    assert headers["Content-Type"] == "application/json"
    told = json.loads(body)
    assert told == {"to": "+15550100", "text": f"{spoilt.headline}: {spoilt.now}"}


@pytest.mark.parametrize(
    ("kind", "state"), [("raise", "on"), ("worse", "on"), ("return", "off"), ("test", "off")]
)
def test_a_siren_is_switched_on_and_off(tmp_path: Path, kind: NoticeKind, state: str) -> None:
    command = lay_out("A siren or a lamp", tmp_path).notify.command
    assert command is not None
    channel = CommandChannel(command)
    notice = replace(the_command_notice(), kind=kind)
    assert channel.send(notice, channel.recipients) == Attempt(accepted=("command",))
    assert (tmp_path / "siren-state").read_text() == f"{state}\n"
