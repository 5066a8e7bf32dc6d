"""The page's processes: what they answer and write, and that the watch is untouched."""

import itertools
import os
import re
import socket
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlsplit

import psutil
import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.report.page import write_atomically
from cabinetwatch.report.page_server import MOST_AT_ONCE, Seats
from tests.report.serving import COMMAND, Serving, write_page
from tests.service.site import NAS, Site
from tests.service.watching import running, wait_until
from tests.service.wire import Wire
from tests.support.forked import ROOT
from tests.support.house import House, build
from tests.support.notify_socket import NotifySocket
from tests.support.patience import WITHIN_S


def ask(
    address: str, path: str = "/", method: str = "GET", host: str | None = None
) -> tuple[int, dict[str, str], bytes]:
    parts = urlsplit(address)
    connection = HTTPConnection(str(parts.hostname), parts.port, timeout=WITHIN_S)
    try:
        connection.request(method, path, headers={} if host is None else {"Host": host})
        answer = connection.getresponse()
        return answer.status, dict(answer.getheaders()), answer.read()
    finally:
        connection.close()


def connected(address: str, from_address: str = "") -> socket.socket:
    parts = urlsplit(address)
    place, source = (str(parts.hostname), parts.port or 0), (from_address, 0)
    return socket.create_connection(place, timeout=WITHIN_S, source_address=source)


def raw(address: str, sent: bytes) -> bytes:
    """Send bytes and give all that comes back until the other end closes."""
    got = b""
    with connected(address) as made, suppress(OSError):
        made.sendall(sent)
        while chunk := made.recv(65536):
            got += chunk
    return got


def test_every_answer_forbids_what_the_page_does_not_need(address: str) -> None:
    for path in ("/", "/icon.svg", "/nothing"):
        _, headers, _ = ask(address, path)
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "unsafe" not in headers["Content-Security-Policy"] or path.endswith(".svg")
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "Set-Cookie" not in headers
        assert headers["Server"] == "cabinetwatch"


def test_it_can_only_be_read(address: str) -> None:
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        status, headers, _ = ask(address, method=method)
        assert (status, headers["Allow"]) == (405, "GET, HEAD")
    # Nor does it know anything of actions that are not switched on.
    assert (ask(address, "/act/x", "POST")[0], ask(address, "/act/x")[0]) == (405, 404)
    status, headers, body = ask(address, method="HEAD")
    assert (status, body) == (200, b"")
    assert int(headers["Content-Length"]) > 1000


@pytest.mark.parametrize(
    "path",
    [
        "/../config.toml",
        "/charts/../charts.json",
        "/charts/%2e%2e/charts.json",
        "/charts//etc/passwd",
        "/charts.json",
        "/charts/.svg/../x",
        "//evil.example/",
        "/index.html/..",
    ],
)
def test_no_other_file_can_be_had(address: str, path: str) -> None:
    assert ask(address, path)[0] == 404


def test_only_names_of_the_house_are_answered(address: str) -> None:
    # A site from outside that points its own name here (DNS rebinding) sends that name.
    for host in ("evil.example", "evil.example:8080", "10.0.0.1.evil.example"):
        assert ask(address, host=host)[0] == 421
    for host in ("cabinet.local", "cabinet:8080", "127.0.0.1:99", "[::1]:8080", "nas.home.arpa"):
        assert ask(address, host=host)[0] == 200


def test_a_request_that_names_no_host_or_two_is_refused(address: str) -> None:
    # RFC 9112, 3.2 for HTTP/1.1; the same for HTTP/1.0 is our choice.
    for version in (b"1.0", b"1.1"):
        line = b"GET / HTTP/" + version + b"\r\n"
        for hosts in (b"", b"Host: cabinet\r\nHost: evil.example\r\n"):
            assert raw(address, line + hosts + b"\r\n").startswith(b"HTTP/1.0 400 ")
        assert raw(address, line + b"Host:\r\n\r\n").startswith(b"HTTP/1.0 421 ")
        assert raw(address, line + b"Host: cabinet\r\n\r\n").startswith(b"HTTP/1.0 200 ")
    # HTTP/0.9 knows no headers at all.
    assert b"<html" not in raw(address, b"GET /\r\n\r\n")


def test_bad_requests_are_refused_and_the_page_goes_on(serving: Serving, house: House) -> None:
    address = serving.start(house)
    for sent in (
        b"\x00\xff\xfe\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET\r\n\r\n",
        b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 5000 + b"\r\n",
        b"BREW / HTTP/1.1\r\n\r\n",
    ):
        answer = raw(address, sent)
        assert b" 200 " not in answer.split(b"\r\n")[0], sent[:40]
    # What is no URL (RFC 3986, 3.2.2: a bracket closes) gets an answer as well.
    assert b" 400 " in raw(address, b"GET http://[ HTTP/1.1\r\nHost: cabinet\r\n\r\n")
    assert b" 421 " in raw(address, b"GET / HTTP/1.1\r\nHost: [::1\r\n\r\n")
    assert ask(address)[0] == 200
    assert "Traceback" not in serving.log


def test_who_says_nothing_is_cut_off(address: str) -> None:
    with connected(address) as idle:
        idle.sendall(b"GET / HT")
        # Its ten seconds are over.
        assert idle.recv(1) in {b"", b"H"}


def test_one_address_cannot_keep_the_page_from_the_others_nor_from_itself(
    serving: Serving, house: House
) -> None:
    address = serving.start(house)
    # From its own address: behind a proxy of this machine everybody has the same one.
    for greedy in ("127.0.0.2", "127.0.0.1"):
        with ExitStack() as held:
            for _ in range(3 * MOST_AT_ONCE):
                held.enter_context(connected(address, greedy)).sendall(b"GET / HT")
            # At the first try, while those who dawdle have their ten seconds still.
            assert ask(address)[0] == 200
            assert psutil.Process(serving.processes[0].pid).num_threads() < MOST_AT_ONCE + 10


def test_seats_go_to_newcomers_and_answers_are_broken_off_for_the_greedy_only() -> None:
    with ExitStack() as opened:

        def connection() -> socket.socket:
            here, there = socket.socketpair()
            opened.enter_context(there)
            return opened.enter_context(here)

        # Of IPv6 a machine has as many addresses as it likes; a network is whose they are.
        proxy, tablet = "192.0.2.1", "192.0.2.2"
        phone = (f"2001:db8::{number}" for number in itertools.count())
        seats = Seats(4)
        first, second, third, fourth = (connection() for _ in range(4))
        for each in (first, second, third):
            assert seats.take(each, proxy)
        assert seats.take(fourth, next(phone))
        for each in (first, third, fourth):
            seats.has_asked(each)
        # Who has not asked for anything is the first to go, whoever it is.
        fifth = connection()
        assert seats.take(fifth, next(phone))
        assert second.recv(1) == b""
        seats.has_asked(fifth)
        # Two answers to each of two: nobody gives way to a third of one of them.
        assert not seats.take(connection(), next(phone))
        # A newcomer without any would not hold more than they.
        sixth = connection()
        assert seats.take(sixth, tablet)
        assert first.recv(1) == b""
        seats.has_asked(sixth)
        # Nor does one of two answers give way to a second of somebody else.
        assert not seats.take(connection(), tablet)


def test_systemd_is_told_once_the_page_can_be_had_and_a_taken_port_gets_a_sentence(
    serving: Serving,
    house: House,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with NotifySocket(tmp_path / "notify") as systemd:

        def tell_where() -> None:
            # Whoever reads it takes it out of the environment.
            for name, value in systemd.environment().items():
                monkeypatch.setenv(name, value)

        tell_where()
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]
            assert main(["page", "--config", str(house.path), "--serve", f"127.0.0.1:{port}"]) == 2
        said = capsys.readouterr().err
        assert re.fullmatch(rf"--serve 127.0.0.1:{port}: it can't listen there .*\n", said)
        tell_where()
        address = serving.start(house, port)
        assert systemd.wait_for("") == "READY=1"
        assert systemd.messages == ["READY=1"]
        assert ask(address)[0] == 200


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--serve", "8080"], "is no address; write it like 127.0.0.1:8080"),
        (["--serve", "127.0.0.1:99999"], "is no address"),
        (["--serve", "127.0.0.1:0", "--every", "5"], "--every and --charts go with --out"),
        (["--out", "x", "--every", "0"], "is no number of seconds above 0"),
        (["--out", "x", "--parent", "1"], "--parent goes with --every"),
        (["--out", "/proc/nothing"], "the page can't be written there"),
        (["--out", "x", "--store", "sqlite:////nothing/here.db"], "There is no store at"),
        ([], "one of the arguments --out --serve is required"),
    ],
)
def test_wrong_use_gets_a_sentence(
    house: House,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    arguments: list[str],
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["page", "--config", str(house.path), *arguments]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert len(said.splitlines()) == 1


# The page as files.


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> House:
    """One device: fewer pictures to be drawn."""
    return build(tmp_path_factory.mktemp("small"), round(time.time() * 1000), devices=1, days=1)


def test_files_are_as_private_as_their_folder_whatever_the_umask(
    small: House, tmp_path: Path
) -> None:
    private, shared = tmp_path / "made" / "page", tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o755)
    for folder, mode, umask in ((private, 0o600, 0o022), (shared, 0o644, 0o077)):
        before = os.umask(umask)
        try:
            write_page(small, folder)
        finally:
            os.umask(before)
        assert (folder / "charts").stat().st_mode & 0o777 == folder.stat().st_mode & 0o777
        files = [path for path in folder.rglob("*") if path.is_file()]
        assert len(files) == 3 + 4
        assert {path.stat().st_mode & 0o777 for path in files} == {mode}


def test_what_a_device_that_is_gone_and_a_killed_writer_left_is_dropped(
    small: House, tmp_path: Path
) -> None:
    write_page(small, tmp_path)
    gone, manifest = tmp_path / "charts" / "gone-6h.svg", tmp_path / "charts.json"
    gone.write_text("<svg/>")
    manifest.write_text(manifest.read_text().replace('"gear-0-6h.svg"', '"gone-6h.svg"'))
    left = [tmp_path / ".index.new", tmp_path / "charts" / ".gear-0-6h.new"]
    busy = tmp_path / ".busy.new"
    for path in (*left, busy):
        path.write_text("half")
    for path in left:
        os.utime(path, (time.time() - 3600,) * 2)
    write_page(small, tmp_path)
    # Somebody may be at the fresh one.
    assert [path.exists() for path in (gone, *left, busy)] == [False, False, False, True]
    assert (tmp_path / "charts" / "gear-0-6h.svg").exists()


_WRITER = """
import sys
from pathlib import Path
from cabinetwatch.report.page import write_atomically
while True:
    for letter in b"ab":
        write_atomically(Path(sys.argv[1]), bytes([letter]) * 300_000)
"""
_WHOLE = {b"a" * 300_000, b"b" * 300_000}


def test_a_writer_that_is_killed_leaves_a_whole_file(tmp_path: Path) -> None:
    path = tmp_path / "index.html"
    seen: set[int] = set()

    def written() -> int:
        """Read the file, whole, and count how many of them there have been."""
        if path.exists():
            with path.open("rb") as file:
                seen.add(os.fstat(file.fileno()).st_mtime_ns)
                assert file.read() in _WHOLE
        return len(seen)

    writer = subprocess.Popen([sys.executable, "-c", _WRITER, str(path)])
    try:
        wait_until(lambda: written() > 2, "pages to be written")
    finally:
        writer.kill()
        writer.wait()
    assert path.read_bytes() in _WHOLE


def test_where_a_file_can_not_be_written_the_old_one_stays_and_nothing_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "index.html"
    write_atomically(path, b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fchmod", full)
    with pytest.raises(OSError, match="No space left"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_keeper_writes_the_page_again_and_again_until_it_is_asked_to_end(
    house: House, tmp_path: Path
) -> None:
    index = tmp_path / "page" / "index.html"
    where = ("--store", house.url, "--out", str(index.parent))
    command = [*COMMAND, *where, "--every", "0.5", "--parent", str(os.getpid())]
    with subprocess.Popen(command, cwd=ROOT) as process:
        try:
            wait_until(index.exists, "the page")
            first = index.stat().st_mtime_ns
            wait_until(lambda: index.stat().st_mtime_ns > first, "the page to be rewritten")
            process.terminate()
            assert process.wait(WITHIN_S) == 0
        finally:
            process.kill()


@pytest.mark.parametrize("killed", [False, True])
def test_the_watch_keeps_the_page_and_its_last_one_says_that_it_has_stopped(
    site: Site, cabinet: Wire, tmp_path: Path, killed: bool
) -> None:
    folder = tmp_path / "page"
    site.tables += f'\n[page]\ndirectory = "{folder}"\nevery_s = 0.5\n'
    index = folder / "index.html"
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.publish(NAS, "41.25")
        wait_until(lambda: index.exists() and ">41.2<" in index.read_text(), "the page")
        wait_until((folder / "charts" / "nas-6h.svg").exists, "the pictures")
        if killed:
            watch.kill()
            wait_until(lambda: "The watch is not running" in index.read_text(), "the last page")
        else:
            assert watch.stop() == 0
    assert "The watch is not running" in index.read_text()
    assert not list(folder.glob(".*"))


def test_the_page_process_killed_and_attacked_leaves_the_watch_untouched(
    site: Site, cabinet: Wire, serving: Serving, tmp_path: Path
) -> None:
    folder = tmp_path / "page"
    site.tables += f'\n[page]\ndirectory = "{folder}"\nevery_s = 0.5\n'
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.publish(NAS, "41.25")
        wait_until((folder / "index.html").exists, "the page")
        below = psutil.Process().children(recursive=True)
        writer = next(each for each in below if {"--every", str(folder)} <= set(each.cmdline()))
        address = serving.start(House(site.path, site.config(), 0))
        for sent in (b"\x00" * 70_000, b"GET / HTTP/1.1\r\nX: " + b"a" * 70_000):
            raw(address, sent)
        serving.processes[0].kill()
        writer.kill()
        raised = cabinet.mark()
        cabinet.publish(NAS, "55")
        cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=raised)
        assert watch.running
        assert watch.stop() == 0


def test_a_page_folder_that_cannot_be_made_is_told_and_stops_nothing(
    site: Site, cabinet: Wire, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    site.tables += f'\n[page]\ndirectory = "{tmp_path}/file/page"\n'
    with running(site.write()) as watch:
        cabinet.wait_online()
        watch.wait_log("the page can't be written there")
        cabinet.publish(NAS, "55")
        cabinet.wait_transition("nas", "over-derating", "unacknowledged")
        assert watch.stop() == 0
