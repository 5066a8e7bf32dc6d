"""An installation without the extra `reports` (install.sh --small): all but pictures and trials."""

import json
import subprocess
import sys
from email import message_from_bytes
from email.policy import default
from pathlib import Path

from tests.support.fortnight import NOW, WEEK, Fortnight

# A module that is None in sys.modules can't be imported, nor found (the import system's own rule).
_WITHOUT = """
import json, sys
sys.modules |= dict.fromkeys(('matplotlib', 'numpy', 'scipy', 'PIL'))
from cabinetwatch.{module} import main
print(file=sys.stderr, *(main(each) for each in json.loads(sys.argv[1])))
"""


def run(module: str, *commands: list[str]) -> tuple[bytes, list[str]]:
    """Run commands in one process without the libraries; give what they print and say."""
    asked = [sys.executable, "-c", _WITHOUT.format(module=module), json.dumps(commands)]
    done = subprocess.run(asked, capture_output=True, check=True)
    return done.stdout, done.stderr.decode().splitlines()


def test_the_weekly_mail_comes_without_pictures(fortnight: Fortnight) -> None:
    asked = ["--store", fortnight.url, "--week", WEEK, "--now", str(NOW)]
    named = ["--message-id", "<1@a.example>", "--from", "w@a.example", "--to", "o@a.example"]
    out, said = run("report.summary_mail", ["mail", *asked, *named], ["close", *asked])
    assert said == ["0 0"]
    mail, _, frozen = out.rpartition(b"\n{")
    assert json.loads(b"{" + frozen)["site"] == "under-stairs cabinet"
    parts = [part.get_content_type() for part in message_from_bytes(mail, policy=default).walk()]
    assert "text/html" in parts
    assert not any("image" in each for each in parts)
    assert b"NAS" in mail


def test_summary_and_page_are_written_without_pictures_and_a_trial_says_what_to_install(
    fortnight: Fortnight, tmp_path: Path
) -> None:
    config = ["--config", str(fortnight.path)]
    page = ["page", "--out", str(tmp_path / "page"), *config]
    summary = ["summary", "--week", WEEK, "--out", str(tmp_path / "week"), *config]
    out, said = run("cli.main", summary, page, [*page, "--charts"], ["trial", "list", *config])
    assert out
    sentence, statuses = said
    assert statuses == "0 0 0 2"
    assert sentence.startswith("cabinetwatch trial: this needs numpy, which is not installed here")
    assert "requirements-reports.txt" in sentence
    assert not list((tmp_path / "week").glob("*.png"))
    text = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    assert "NAS" in text
    assert "not drawn yet" not in text
