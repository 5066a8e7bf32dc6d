"""People read the name of a sensor on every surface; programs get its ID."""

import datetime as dt
import json

import pytest

from cabinetwatch.cli.main import main
from tests.service.mails import part
from tests.service.site import CABINET, Site
from tests.service.watching import watching
from tests.service.wire import Wire
from tests.support.mail import MailDrop

TABLES = (
    CABINET
    + """
[sensors.ups-air]
name = "UPS, at its outlet"
topic = "cabinet/ups/temperature"
quantity = "temperature"
high = 40.0

[alarms.high]
hold_h = 0
on_delay_s = 0
"""
)
NAME = "UPS, at its outlet"


def test_mail_status_page_and_summary_name_it_and_json_mqtt_and_csv_have_the_id(
    site: Site, cabinet: Wire, smtp: MailDrop, capsys: pytest.CaptureFixture[str]
) -> None:
    def shown(*command: str) -> str:
        main([*command, "--config", str(site.path)])
        return capsys.readouterr().out

    site.tables = TABLES
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.publish("cabinet/ups/temperature", "47.5")
        told = cabinet.wait_transition("ups-air", "high", "unacknowledged")
        (mail,) = smtp.wait_for(1)
        status, state = shown("status"), json.loads(shown("status", "--json"))
        shown("page", "--out", str(site.folder / "page"))
        page = (site.folder / "page" / "index.html").read_text()
        year, number, _ = dt.datetime.fromisoformat(told["time"]).isocalendar()
        summary = shown("summary", "--week", f"{year}-W{number:02d}")
        csv = shown("export")

    assert told["text"].startswith(f"{NAME} reads 47.5 °C")
    assert NAME in mail.message["Subject"]
    for kind in ("plain", "html"):
        text = part(mail.message, kind)
        assert NAME in text
        assert "ups-air" not in text
    assert NAME in status
    assert f'data-sensor="ups-air"><th scope="row">{NAME} <' in page
    assert "sensor ups-air" not in page
    assert NAME in summary
    assert "ups-air" not in summary
    # Another sensor has no name: its ID stands for it.
    assert state["sensors"]["ups-air"]["name"] == NAME
    assert state["sensors"]["nas-air"]["name"] == "nas-air"
    assert [each["subject"] for each in state["alarms"]] == ["ups-air"]
    assert ",ups-air,47.5" in csv
