"""An installation without the extra `reports` (install.sh --small): all but pictures and trials."""

import subprocess
import sys
from email import message_from_bytes
from email.policy import default
from pathlib import Path

from tests.support.fortnight import NOW, WEEK, Fortnight

# A module that is None in sys.modules can't be imported, nor found (the import system's own rule).
_WITHOUT = "import sys; sys.modules |= dict.fromkeys(('matplotlib', 'numpy', 'scipy', 'PIL'));"
_CLI = f"{_WITHOUT} from cabinetwatch.cli.main import main; sys.exit(main(sys.argv[1:]))"
_MAILER = (
    f"{_WITHOUT} from cabinetwatch.report.summary_mail import main; sys.exit(main(sys.argv[1:]))"
)


def run(code: str, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.run(command, capture_output=True, check=False, timeout=300)


def wrote(done: subprocess.CompletedProcess[bytes]) -> bytes:
    assert (done.returncode, done.stderr) == (0, b"")
    return done.stdout


def pictures(mail: bytes) -> list[str]:
    parsed = message_from_bytes(mail, policy=default)
    return [part.get_content_type() for part in parsed.walk() if "image" in part.get_content_type()]


def test_the_weekly_mail_comes_without_pictures(fortnight: Fortnight) -> None:
    asked = ["mail", "--store", fortnight.url, "--week", WEEK, "--now", str(NOW)]
    named = ["--message-id", "<1@a.example>", "--from", "w@a.example", "--to", "o@a.example"]
    mail = wrote(run(_MAILER, *asked, *named))
    assert pictures(mail) == []
    assert b"NAS" in mail
    frozen = wrote(run(_MAILER, "close", *asked[1:]))
    assert frozen.startswith(b"{")


def test_summary_and_page_are_written_without_pictures(
    fortnight: Fortnight, tmp_path: Path
) -> None:
    config = ["--config", str(fortnight.path)]
    listed = wrote(run(_CLI, "summary", "--week", WEEK, "--out", str(tmp_path / "week"), *config))
    assert listed
    assert not list((tmp_path / "week").glob("*.png"))
    wrote(run(_CLI, "page", "--out", str(tmp_path / "page"), *config))
    page = (tmp_path / "page" / "index.html").read_text(encoding="utf-8")
    assert "NAS" in page
    assert "not drawn yet" not in page
    wrote(run(_CLI, "page", "--charts", "--out", str(tmp_path / "page"), *config))


def test_a_trial_says_in_one_sentence_what_to_install(fortnight: Fortnight) -> None:
    done = run(_CLI, "trial", "list", "--config", str(fortnight.path))
    assert done.returncode == 2
    (sentence,) = done.stderr.decode().splitlines()
    assert sentence.startswith("cabinetwatch trial: this needs numpy, which is not installed here")
    assert "requirements-reports.txt" in sentence
