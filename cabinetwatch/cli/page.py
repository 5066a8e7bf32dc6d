"""`cabinetwatch page`: the status page, as files or over HTTP."""

import argparse
import gc
import logging
import signal
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from cabinetwatch.cli.output import say
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file
from cabinetwatch.config.model import Config
from cabinetwatch.errors import UsageError
from cabinetwatch.store.store import Store
from cabinetwatch.watch import configuration

_EVERY_S = 15.0
_LONGEST_S = 366 * 86_400.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--out", type=Path, metavar="DIR", help="write the page into a folder, once")
    where.add_argument(
        "--serve", type=_address, metavar="HOST:PORT", help="show the page over HTTP, until Ctrl-C"
    )
    parser.add_argument(
        "--every",
        dest="every_s",
        type=_seconds,
        metavar="SECONDS",
        help="with --out: write it again and again, until Ctrl-C",
    )
    parser.add_argument(
        "--parent",
        type=int,
        metavar="PID",
        help="with --every: end some time after this process, which started this one",
    )
    parser.add_argument(
        "--charts",
        action="store_true",
        help="with --out: draw the pictures only, in the background",
    )
    parser.add_argument(
        "--store", metavar="URL", help="read this store, and go by the configuration in force there"
    )


def run(args: argparse.Namespace) -> int:
    """Write or show the page."""
    if args.serve is not None and (args.every_s is not None or args.charts):
        raise UsageError("--every and --charts go with --out; --serve is always up to date")
    if args.parent is not None and args.every_s is None:
        raise UsageError("--parent goes with --every")
    url, config = _site(args)
    if args.serve is not None:
        return _serve(url, config, *args.serve)
    try:
        if args.every_s is not None:
            return _keep(url, config, args)
        return _write(url, config, args.out, charts_only=args.charts)
    except OSError as error:
        raise UsageError(
            f"--out {args.out}: the page can't be written there ({error.strerror or error}); name a"
            " folder that you may write to"
        ) from error


def _site(args: argparse.Namespace) -> tuple[str, Config | None]:
    if args.store is not None:
        return args.store, None
    config = configuration.load(find_config_file(args.config))
    return config.store.url, config


def _write(url: str, config: Config | None, folder: Path, *, charts_only: bool) -> int:
    # Drawing is imported only where something is drawn: it takes a hundred megabytes.
    from cabinetwatch.report.page_charts import be_last_in_line, draw_charts  # noqa: PLC0415
    from cabinetwatch.report.page_files import make_folder  # noqa: PLC0415
    from cabinetwatch.report.page_keeper import write_page  # noqa: PLC0415
    from cabinetwatch.report.page_source import PageSource  # noqa: PLC0415
    from cabinetwatch.store.follower import in_force  # noqa: PLC0415

    if charts_only:
        be_last_in_line()
    clock = SystemClock()
    make_folder(folder)
    with Store.open(url, read_only=True) as store, _no_looking_for_cycles():
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
    from cabinetwatch.report.page_keeper import PageKeeper  # noqa: PLC0415

    _log_to_standard_error()
    stop = threading.Event()

    def ask(number: int, frame: FrameType | None) -> None:
        del number, frame
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, ask)
    PageKeeper(url, config, args.out, SystemClock(), args.every_s).run(stop, args.parent)
    return 0


def _serve(url: str, config: Config | None, host: str, port: int) -> int:
    from cabinetwatch.report.page_server import PageServer  # noqa: PLC0415
    from cabinetwatch.report.page_source import ChartDrawer, PageSource  # noqa: PLC0415

    _log_to_standard_error()

    def leave(number: int, frame: FrameType | None) -> None:
        del number, frame
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, leave)
    with tempfile.TemporaryDirectory(prefix="cabinetwatch-page-") as name:
        folder = Path(name)
        source = PageSource(url, config, folder, SystemClock(), _EVERY_S)
        drawer = ChartDrawer(url, folder)
        try:
            with PageServer(host, port, source, drawer, folder) as server:
                say(f"The page stands at {server.url} until Ctrl-C.")
                if not server.is_loopback:
                    say("Everyone who can reach this address can read it.")
                sys.stdout.flush()
                server.serve_forever()
        except KeyboardInterrupt:
            return 0
        finally:
            drawer.stop()
            source.close()
    return 0


def _log_to_standard_error() -> None:
    logging.basicConfig(
        level=logging.WARNING, stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s"
    )


def _address(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not port.isascii() or not port.isdigit() or int(port) > 65535:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no address; write it like 127.0.0.1:8080, with a port up to 65535"
        )
    return host, int(port)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds <= _LONGEST_S:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds above 0")
    return seconds
