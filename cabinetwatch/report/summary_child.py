"""Makes weeks and their mails in a process of its own: python -m cabinetwatch.report.summary_child.

What draws and reckons takes a hundred megabytes, which so go as soon as it is done.
"""

import argparse
import gc
import json
import sys
from collections.abc import Sequence

from cabinetwatch.clock import SystemClock
from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.report.page_charts import be_last_in_line
from cabinetwatch.report.summary_charts import draw_week
from cabinetwatch.report.summary_content import summary_of
from cabinetwatch.report.summary_figures import Week
from cabinetwatch.report.summary_mail import Envelope, mail_of
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_present import present_sentence
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.store.follower import in_force
from cabinetwatch.store.store import Store


def main(arguments: Sequence[str]) -> int:
    """Write a week's figures as JSON, or its mail, to standard output.

    Returns:
        0; 2 with one sentence on standard error.
    """
    args = _parser().parse_args(arguments)
    # There are hundreds of thousands of buckets and no cycle; going through them takes its time.
    gc.disable()
    be_last_in_line()
    now_utc_ms = SystemClock().utc_ms() if args.now is None else args.now
    try:
        week = IsoWeek.parse(args.week)
        with Store.open(args.store, read_only=True) as store:
            maker = WeekMaker(store, None, now_utc_ms)
            if args.what == "close":
                out = json.dumps(maker.make(week).as_json(), allow_nan=False).encode()
            else:
                out = _mail(store, maker.frozen_or_made(week), args, now_utc_ms)
    except (CabinetwatchError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    sys.stdout.buffer.write(out)
    gc.freeze()
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="summary_child")
    parser.add_argument("what", choices=("close", "mail"))
    parser.add_argument("--store", required=True)
    parser.add_argument("--week", required=True)
    parser.add_argument("--now", type=int)
    parser.add_argument("--message-id", default="")
    parser.add_argument("--from", dest="sender", default="")
    parser.add_argument("--to", nargs="*", default=[])
    return parser


def _mail(store: Store, week: Week, args: argparse.Namespace, now_utc_ms: int) -> bytes:
    config = in_force(store, None)
    summary = summary_of(week, present_sentence(store, config, now_utc_ms))
    envelope = Envelope(args.sender, args.to, now_utc_ms, week.timezone, args.message_id)
    return mail_of(summary, draw_week(store, config, week), envelope).as_bytes()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
