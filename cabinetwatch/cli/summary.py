"""`cabinetwatch summary`: the summary of an ISO week, shown, as files, or mailed."""

import argparse
import gc
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import uuid4

from cabinetwatch.cli.output import say
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file, require_mail
from cabinetwatch.config.model import Config
from cabinetwatch.errors import UsageError
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.store.store import Store
from cabinetwatch.watch import configuration

if TYPE_CHECKING:
    from cabinetwatch.report.summary_charts import Drawn
    from cabinetwatch.report.summary_content import Summary
    from cabinetwatch.report.summary_figures import Week

_NOBODY = "watch@localhost"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--week",
        type=_week,
        metavar="YEAR-WNN",
        help="an ISO week, such as 2026-W47 (default: the newest that is over)",
    )
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="write the mail, its HTML, text and pictures there"
    )
    parser.add_argument(
        "--send", action="store_true", help="mail it, to those whom the weekly mail goes to"
    )


def run(args: argparse.Namespace) -> int:
    """Make the summary; without --out and --send, show its text.

    Returns:
        0; 1 when the mail server refuses.
    """
    path = find_config_file(args.config)
    config = configuration.load(path)
    if args.send:
        require_mail(config, path)
    # There are hundreds of thousands of buckets and no cycle; going through them takes its time.
    gc.disable()
    try:
        return _run(config, args)
    finally:
        # Nor are they to be gone through at the end, which is near.
        gc.freeze()
        gc.enable()


def _run(config: Config, args: argparse.Namespace) -> int:
    now_utc_ms = SystemClock().utc_ms()
    with Store.open(config.store.url, read_only=True) as store:
        week, summary = _summary(store, config, args.week, now_utc_ms)
        if args.out is None and not args.send:
            # What reckons and draws is imported only where it is used: it takes a while.
            from cabinetwatch.report.summary_text import text_of  # noqa: PLC0415

            sys.stdout.write(text_of(summary))
            return 0
        drawn = _drawn(store, config, week)
    content = _mail(config, summary, drawn, now_utc_ms)
    if args.out is not None:
        for path in _write(args.out, week.week, summary, drawn, content):
            say(str(path))
    return _send(config, content, now_utc_ms) if args.send else 0


def write_summary(config: Config, week: IsoWeek, folder: Path, now_utc_ms: int) -> list[Path]:
    """Write mail, HTML, text and pictures of a week as of an instant; give the files.

    Raises:
        UsageError: the folder can't be written, or the store holds nothing of the week.
        StoreError: the store can't be read.
    """
    with Store.open(config.store.url, read_only=True) as store:
        made, summary = _summary(store, config, week, now_utc_ms)
        drawn = _drawn(store, config, made)
    content = _mail(config, summary, drawn, now_utc_ms)
    return _write(folder, week.name, summary, drawn, content)


def _summary(
    store: Store, config: Config, wanted: IsoWeek | None, now_utc_ms: int
) -> "tuple[Week, Summary]":
    """Give a week's figures and words; of the newest that is over when none is named."""
    from cabinetwatch.report.summary_content import summary_of  # noqa: PLC0415
    from cabinetwatch.report.summary_make import WeekMaker  # noqa: PLC0415
    from cabinetwatch.report.summary_present import present_sentence  # noqa: PLC0415

    maker = WeekMaker(store, config, now_utc_ms)
    iso_week = wanted or maker.newest_closed()
    week = maker.frozen_or_made(iso_week)
    is_news = iso_week >= maker.newest_closed()
    return week, summary_of(week, present_sentence(store, config, now_utc_ms) if is_news else "")


def _drawn(store: Store, config: Config, week: "Week") -> "list[Drawn]":
    from cabinetwatch.report.summary_charts import draw_week  # noqa: PLC0415

    return draw_week(store, config, week)


def recipients(config: Config) -> tuple[str, ...]:
    """Give those whom the summary is mailed to."""
    if config.summary is not None and config.summary.to is not None:
        return config.summary.to
    return () if config.notify.email is None else config.notify.email.to


def _mail(config: Config, summary: "Summary", drawn: "list[Drawn]", now_utc_ms: int) -> bytes:
    from cabinetwatch.report.summary_mail import Envelope, mail_of  # noqa: PLC0415

    email = config.notify.email
    sender = _NOBODY if email is None else email.from_
    domain = sender.rpartition("@")[2].rstrip(">")
    envelope = Envelope(
        sender,
        recipients(config) or (_NOBODY,),
        now_utc_ms,
        config.site.timezone,
        # Each is a mail of its own, also when a week is sent again.
        f"<{uuid4().hex}@{domain}>",
    )
    return mail_of(summary, drawn, envelope).as_bytes()


def _write(
    folder: Path, week: str, summary: "Summary", drawn: "list[Drawn]", content: bytes
) -> list[Path]:
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in _files(week, summary, drawn, content):
            path = folder / name
            path.touch(mode=0o600)
            path.write_bytes(data)
            written.append(path)
    except OSError as error:
        raise UsageError(
            f"--out {folder}: the summary can't be written there ({error.strerror}); name a folder"
            " that you may write to"
        ) from error
    return written


def _files(
    week: str, summary: "Summary", drawn: "list[Drawn]", content: bytes
) -> Iterator[tuple[str, bytes]]:
    from cabinetwatch.report.summary_html import html_of  # noqa: PLC0415
    from cabinetwatch.report.summary_mail import by_device, encodable  # noqa: PLC0415
    from cabinetwatch.report.summary_text import text_of  # noqa: PLC0415

    stem = f"summary-{week}"
    names = [f"{stem}-{each.file_name}" for each in drawn]
    yield f"{stem}.eml", content
    yield f"{stem}.html", encodable(html_of(summary, by_device(drawn, names))).encode()
    yield f"{stem}.txt", encodable(text_of(summary)).encode()
    for name, each in zip(names, drawn, strict=True):
        yield name, each.png


def _send(config: Config, content: bytes, now_utc_ms: int) -> int:
    from cabinetwatch.notify.channels.email import EmailChannel  # noqa: PLC0415
    from cabinetwatch.store.notice import Notice  # noqa: PLC0415

    email = config.notify.email
    if email is None:
        return 1
    channel = EmailChannel(
        config, email, config.secret("email-password"), compose=lambda _: content
    )
    notice = Notice("summary", "email", "summary", now_utc_ms, now_utc_ms, ())
    attempt = channel.send(notice, recipients(config))
    if attempt.unreachable is not None:
        say(attempt.unreachable, sys.stderr)
    for refusal in attempt.refused.values():
        say(refusal.error, sys.stderr)
    if attempt.accepted:
        say(f"Sent to {', '.join(attempt.accepted)}")
    return 0 if set(attempt.accepted) == set(recipients(config)) else 1


def _week(text: str) -> IsoWeek:
    try:
        return IsoWeek.parse(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
