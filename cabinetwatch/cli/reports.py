"""What is read in peace: page and summary."""

import argparse
import gc
import logging
import os
import signal
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING
from uuid import uuid4

from cabinetwatch.cli.terminal import function_of, log_to_standard_error, say, signalled
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file, require_mail
from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Email
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.service.parts import Notifier
from cabinetwatch.store.store import Store
from cabinetwatch.text import UsageError
from cabinetwatch.watch.conditions import load_config

if TYPE_CHECKING:
    from cabinetwatch.report.charts import Drawn
    from cabinetwatch.report.summary_week import Week
    from cabinetwatch.report.summary_words import Summary

_EVERY_S = 15.0


def page(args: argparse.Namespace) -> int:
    """Write or show the page."""
    if args.serve is not None and (args.every_s is not None or args.charts):
        raise UsageError("--every and --charts go with --out; --serve is always up to date")
    if args.parent is not None and args.every_s is None:
        raise UsageError("--parent goes with --every")
    url, config = args.store, None
    if url is None:
        config = load_config(find_config_file(args.config_file))
        url = config.store.url
    if args.serve is not None:
        return _serve(url, config, *args.serve)
    try:
        if args.every_s is not None:
            return _keep(url, config, args)
        return _write_page(url, config, args.out, charts_only=args.charts)
    except OSError as error:
        raise UsageError(
            f"--out {args.out}: the page can't be written there ({error.strerror or error}); name a"
            " folder that you may write to"
        ) from error


def _write_page(url: str, config: Config | None, folder: Path, *, charts_only: bool) -> int:
    from cabinetwatch.report.page import can_draw  # noqa: PLC0415
    from cabinetwatch.report.page_server import PageSource, write_page  # noqa: PLC0415
    from cabinetwatch.store.replay import in_force  # noqa: PLC0415

    if charts_only:
        # Pictures can wait, the watch can't.
        os.nice(19)
    clock = SystemClock()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with Store.open(url, read_only=True) as store, _no_looking_for_cycles():
        if can_draw():
            # Imported only where something is drawn: it takes a hundred megabytes.
            draw_charts = function_of("report.charts:draw_charts")
            draw_charts(store, in_force(store, config), folder, clock.utc_ms())
    if not charts_only:
        source = PageSource(url, config, folder, clock, _EVERY_S)
        write_page(source, folder)
        source.close()
        say(f"The page is {folder / 'index.html'}")
    return 0


@contextmanager
def _no_looking_for_cycles() -> Iterator[None]:
    """Leave the garbage collector out: there are hundreds of thousands of buckets, no cycle.

    Going through them again and again would take as long as reading them.
    """
    gc.disable()
    try:
        yield
    finally:
        # Nor are they to be gone through at the end, which is near.
        gc.freeze()
        gc.enable()


def _keep(url: str, config: Config | None, args: argparse.Namespace) -> int:
    from cabinetwatch.report.page_server import PageKeeper  # noqa: PLC0415

    log_to_standard_error(logging.WARNING)
    with signalled(signal.SIGTERM, signal.SIGINT) as stop:
        PageKeeper(url, config, args.out, SystemClock(), args.every_s).run(stop, args.parent)
    return 0


def _serve(url: str, config: Config | None, host: str, port: int) -> int:
    from cabinetwatch.report.page_server import (  # noqa: PLC0415
        ChartDrawer,
        PageServer,
        PageSource,
    )

    log_to_standard_error(logging.WARNING)
    systemd = Notifier()

    def leave(number: int, frame: FrameType | None) -> None:
        del number, frame
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, leave)
    acting = config if config is not None and config.page and config.page.actions else None
    with tempfile.TemporaryDirectory(prefix="cabinetwatch-page-") as name:
        folder = Path(name)
        acts = acting is not None
        source = PageSource(url, config, folder, SystemClock(), _EVERY_S, acts=acts)
        drawer = ChartDrawer(url, folder)
        try:
            with PageServer(host, port, source, drawer, folder, acting=acting) as server:
                say(f"The page is at {server.url} until Ctrl-C.")
                if not server.is_loopback:
                    say("Everyone who can reach this address can read it.")
                if acting is not None:
                    say("Who has a link out of a mail, or the PIN, can act through it.")
                sys.stdout.flush()
                systemd.ready()
                server.serve_forever()
        except KeyboardInterrupt:
            pass
        finally:
            drawer.stop()
            source.close()
    return 0


_NOBODY = "watch@localhost"


def summary(args: argparse.Namespace) -> int:
    """Make the summary; without --out and --send, show its text. 1 when the mail server refuses."""
    config: Config = args.config
    email = require_mail(config, args.config_file) if args.send else None
    now_utc_ms = SystemClock().utc_ms()
    with _no_looking_for_cycles():
        if args.out is None and email is None:
            # What reckons and draws is imported only where it is used: it takes a while.
            from cabinetwatch.report.summary_mail import text_of  # noqa: PLC0415

            with Store.open(config.store.url, read_only=True) as store:
                _, made = _made(store, config, args.week, now_utc_ms)
            sys.stdout.write(text_of(made))
            return 0
        content, files = write_summary(config, args.week, args.out, now_utc_ms)
        for path in files:
            say(str(path))
        return 0 if email is None else _send(config, email, content, now_utc_ms)


def write_summary(
    config: Config, wanted: IsoWeek | None, folder: Path | None, now_utc_ms: int
) -> tuple[bytes, list[Path]]:
    """Make the mail of a week as of an instant, and write it with HTML, text and pictures.

    Of the newest that is over when none is named; without a folder nothing is written. Gives the
    mail, and the files.
    """
    with Store.open(config.store.url, read_only=True) as store:
        week, made = _made(store, config, wanted, now_utc_ms)
        drawn = function_of("report.summary_mail:draw_week")(store, config, week)
    content = _mail(config, made, drawn, now_utc_ms)
    if folder is None:
        return content, []
    return content, _write_summary(folder, week.week, made, drawn, content)


def _made(
    store: Store, config: Config, wanted: IsoWeek | None, now_utc_ms: int
) -> "tuple[Week, Summary]":
    """Give a week's figures and words; of the newest that is over when none is named."""
    from cabinetwatch.report.summary_mail import present_sentence  # noqa: PLC0415
    from cabinetwatch.report.summary_make import WeekMaker  # noqa: PLC0415
    from cabinetwatch.report.summary_words import summary_of  # noqa: PLC0415

    maker = WeekMaker(store, config, now_utc_ms)
    iso_week = wanted or maker.newest_closed()
    week = maker.frozen_or_made(iso_week)
    is_news = iso_week >= maker.newest_closed()
    present = present_sentence(store, config, now_utc_ms) if is_news else ""
    return week, summary_of(week, present, config.site.temperature_unit)


def _mail(config: Config, summary: "Summary", drawn: "list[Drawn]", now_utc_ms: int) -> bytes:
    from cabinetwatch.notify.mail import Envelope  # noqa: PLC0415
    from cabinetwatch.report.summary_mail import mail_of  # noqa: PLC0415

    email = config.notify.email
    sender = _NOBODY if email is None else email.from_
    domain = sender.rpartition("@")[2].rstrip(">")
    envelope = Envelope(
        sender,
        config.summary_readers or (_NOBODY,),
        now_utc_ms,
        config.site.timezone,
        # Each is a mail of its own, also when a week is sent again.
        f"<{uuid4().hex}@{domain}>",
    )
    return mail_of(summary, drawn, envelope).as_bytes()


def _write_summary(
    folder: Path, week: str, summary: "Summary", drawn: "list[Drawn]", content: bytes
) -> list[Path]:
    from cabinetwatch.notify.mail import encodable  # noqa: PLC0415
    from cabinetwatch.report.summary_mail import html_of, text_of  # noqa: PLC0415

    stem = f"summary-{week}"
    pictures = {f"{stem}-{each.file_name}": each.png for each in drawn}
    html = html_of(summary, drawn, list(pictures))
    files = {
        f"{stem}.eml": content,
        f"{stem}.html": encodable(html).encode(),
        f"{stem}.txt": encodable(text_of(summary)).encode(),
        **pictures,
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            path = folder / name
            path.touch(mode=0o600)
            path.write_bytes(data)
    except OSError as error:
        raise UsageError(
            f"--out {folder}: the summary can't be written there ({error.strerror or error}); name"
            " a folder that you may write to"
        ) from error
    return [folder / name for name in files]


def _send(config: Config, email: Email, content: bytes, now_utc_ms: int) -> int:
    from cabinetwatch.notify.channels import EmailChannel  # noqa: PLC0415
    from cabinetwatch.store.records import Notice  # noqa: PLC0415

    channel = EmailChannel(
        config, email, config.secret("email-password"), compose=lambda _: content
    )
    notice = Notice("summary", "email", "summary", now_utc_ms, now_utc_ms, ())
    attempt = channel.send(notice, config.summary_readers)
    if attempt.unreachable is not None:
        say(attempt.unreachable, sys.stderr)
    for refusal in attempt.refused.values():
        say(refusal.error, sys.stderr)
    if attempt.accepted:
        say(f"Sent to {', '.join(attempt.accepted)}")
    return 0 if set(attempt.accepted) == set(config.summary_readers) else 1
