"""What scripts/campaign does with its words; see there."""

from __future__ import annotations

import argparse
import functools
import os
import sys
import time
from collections.abc import Sequence

from tests.scenario import campaign


def main(args: argparse.Namespace) -> int:
    kind = campaign.KINDS[args.kind or campaign.LARGE.word]
    kinds = (kind,) if args.kind else campaign.BY_TURNS
    if args.replay is not None:
        report = campaign.replayed(args.replay, kind)
    elif args.shrink is not None:
        report = campaign.shrunk(args.shrink, kind)
    elif args.planted:
        # Not at the top: machine code has no place for planted mistakes.
        from tests.scenario.planted_campaign import planted

        report = planted(args.jobs)
    elif args.elsewhere is not None:
        from tests.scenario.elsewhere_campaign import elsewhere

        report = elsewhere(args.elsewhere, args.jobs)
    else:
        report = _at_length(args, kinds)
    for line in report.lines:
        print(line)
    return 1 if report.failed else 0


def parsed(about: str, words: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="campaign", description=about, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--years", type=float, default=1.0, help="how many years in all (1)")
    parser.add_argument("--faults", type=int, metavar="TIMES", help="each fault so often alone, and as many pairs")
    parser.add_argument("--elsewhere", type=int, metavar="TIMES", help="the tests with real parts, so often each")
    parser.add_argument("--planted", action="store_true")
    which = parser.add_mutually_exclusive_group()
    for word, kind in campaign.KINDS.items():
        what = f"years, --replay, --shrink: {kind.about}"
        which.add_argument(f"--{word}", dest="kind", action="store_const", const=word, help=what)
    parser.add_argument("--seed", type=int, default=1, help="the first stretch's seed (1)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="processes (one for each core)")
    parser.add_argument("--replay", type=int, metavar="SEED")
    parser.add_argument("--shrink", type=int, metavar="SEED")
    parser.add_argument("--compiled", action="store_true", help="as machine code")
    return parser.parse_args(words)


def _at_length(args: argparse.Namespace, kinds: Sequence[campaign.Kind]) -> campaign.Report:
    """Years or single faults, and how fast."""
    began_s = time.monotonic()
    if args.faults is None:
        report = campaign.years(args.years, args.seed, args.jobs, functools.partial(print, flush=True), kinds)
    else:
        report = campaign.faults(args.faults, args.seed, args.jobs)
    hours, worked_s = (time.monotonic() - began_s) / 3600.0, sum(os.times()[:4])
    print(
        f"{report.site_years / hours:.0f} site-years an hour on {args.jobs} processes, "
        f"{worked_s / report.site_years:.0f} s of processor time for each",
        file=sys.stderr,
    )
    return report


if __name__ == "__main__":
    sys.exit(main(parsed(__doc__ or "", sys.argv[1:])))
