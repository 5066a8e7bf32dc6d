"""README's commands, taken out of it and run as they stand; its claims against their sources.

The lines that make the environment run in the clean roots (tests/deploy/clean_root.sh); here the
environment of the tests stands in its place. Two minutes of listening are seconds here.
"""

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.broker import Broker
from tests.support.mail import MailDropFactory
from tests.support.patience import WITHIN_S

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
QUARTER = README.partition("## The first quarter of an hour")[2].partition("\n## ")[0]
PASSWORD = "correct horse"


def block(after: str) -> str:
    """The first lines of code behind some words of the first quarter of an hour."""
    assert after in QUARTER
    lines = QUARTER.partition(after)[2].splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith("    "))
    end = start
    while end < len(lines) and (lines[end].startswith("    ") or not lines[end]):
        end += 1
    return "\n".join(line[4:] for line in lines[start:end]).strip() + "\n"


def at_home(home: Path, script: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    """Run lines in a fresh shell, in a clone named like the project."""
    return subprocess.run(
        ["/bin/sh", "-ec", script],
        check=False,
        cwd=home / "cabinetwatch",
        env=environment(home),
        capture_output=True,
        text=True,
        timeout=WITHIN_S,
        input=typed,
    )


def environment(home: Path) -> dict[str, str]:
    return {"HOME": str(home), "PATH": "/usr/bin:/bin"}


@contextmanager
def nodes(broker: Broker) -> Iterator[None]:
    """Sensors that publish what README's configuration names, several times a second."""
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    over = threading.Event()

    def publish() -> None:
        count = 0
        while not over.wait(0.1):
            count += 1
            for topic, warm in (("under-stairs/nas", 35), ("hall/climate", 21)):
                client.publish(topic, json.dumps({"temperature": warm + count % 3}), qos=1)

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        client.disconnect()
        client.loop_stop()


def test_the_first_quarter_of_an_hour_runs_as_it_stands_and_is_looked_at_from_another_shell(
    tmp_path: Path, broker: Broker, mail_drop: MailDropFactory
) -> None:
    smtp = mail_drop(login=("watch", PASSWORD))
    home = tmp_path / "home"
    (home / "cabinetwatch").mkdir(parents=True)
    (home / "watch" / "env").mkdir(parents=True)
    (home / "watch" / "env" / "bin").symlink_to(Path(sys.executable).parent)

    makes = r"^(python3 -m venv|.*/pip install) .*$"
    install, made = re.subn(makes, ":", block("**1."), flags=re.MULTILINE)
    assert made == 3
    listen = block("**2.").replace("192.0.2.10", broker.host)
    listen = listen.replace(r"\n' > config", rf"\nport = {broker.port}\n' > config")
    # What the person edits: the tables of README in the place of the draft, the servers of here.
    edited = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n\n{block("It may then hold")}'
    server = f'host = "{smtp.host}"\nport = {smtp.port}\nsecurity = "none"'
    edited = edited.replace('host = "mail.example"', server)

    with nodes(broker):
        # A busy machine may take long to connect and to hear both.
        for span in ("3s", "60s"):
            (home / "watch" / "draft.toml").unlink(missing_ok=True)
            heard = at_home(home, install + listen.replace("--for 2m", f"--for {span}"))
            draft = (home / "watch" / "draft.toml").read_text() if not heard.returncode else ""
            if draft.count("topic = ") == 2:
                break
        assert heard.returncode == 0, heard.stderr
        assert draft in (home / "watch" / "config.toml").read_text()
        assert 'topic = "under-stairs/nas"' in draft

        (home / "watch" / "config.toml").write_text(edited)
        before = f"{install}cd ~/watch\n"
        check = before + block("Enter and Ctrl-D") + block("**4.").replace("30s", "60s")
        checked = at_home(home, check, f"{PASSWORD}\n")
        assert checked.returncode == 0, checked.stdout + checked.stderr
        assert "[test" in str(smtp.wait_for(1)[0].message["Subject"]).lower()

        run = subprocess.Popen(
            ["/bin/sh", "-c", f"{before}exec {block('**5.')}"],
            cwd=home / "cabinetwatch",
            env=environment(home),
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            assert run.stderr is not None
            running = next(line for line in run.stderr if "connected" in line)
            assert running
            look = block("In another terminal").replace("status\n", "status || test $? = 1\n")
            looked = at_home(home, look)
            assert (looked.returncode, looked.stderr) == (0, "")
            assert "NAS" in looked.stdout
        finally:
            run.send_signal(signal.SIGTERM)
            run.communicate(timeout=WITHIN_S)
        assert run.returncode == 0


def test_all_that_readme_tells_to_run_from_the_clone_is_there() -> None:
    scripts = re.findall(r"sh (deploy/[a-z.]+)", README)
    assert set(scripts) >= {
        f"deploy/{name}.sh" for name in ("demo", "test", "install", "uninstall")
    }
    for script in scripts:
        assert os.access(ROOT / script, os.R_OK), script


def test_the_ten_everyday_commands_are_ten() -> None:
    table = README.partition("## Ten everyday commands")[2].partition("\n\n[")[0]
    assert len(re.findall(r"^\| `cabinetwatch ", table, flags=re.M)) == 10


def test_each_figure_of_a_claim_stands_where_its_link_leads() -> None:
    claims = README.partition("## Five claims")[2].partition("\n\n[")[0].split("\n- ")[1:]
    assert len(claims) == 5
    for claim in claims:
        (link,) = re.findall(r"\]\(([^)]+)\)", claim)
        path, _, anchor = link.partition("#")
        source = ""
        for section in re.split(r"^## ", (ROOT / path).read_text(encoding="utf-8"), flags=re.M):
            heading, _, text = section.partition("\n")
            if re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") == anchor:
                source = text
        said = claim.replace(link, "")
        figures = re.findall(r"(?<![\w.])\d[\d,]*(?:\.\d+)?", said)
        assert figures
        for figure in figures:
            assert re.search(rf"(?<![\d.,]){re.escape(figure)}(?![\d.]\d)", source), (figure, link)
