"""What the two scripts do: branch coverage, or the mutation score, of one part of the safety code."""

from __future__ import annotations

import argparse
import os
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from tests.mutation.mutants import Key, Mutant
from tests.mutation.runner import Fate, Judge, Subject

SCORE_LEAST_PERCENT = 95.0
NOTICED = (Fate.KILLED, Fate.HUNG)


def main(subject: Subject, listed_path: Path, words: list[str] | None = None) -> int:
    """1 when branch coverage is below 100 %, or the score below 95 %, or the list of equivalents is out of date."""
    parser = argparse.ArgumentParser(description=f"How well the tests judge {subject.folder}.")
    parser.add_argument("files", nargs="*", metavar="FILE", help=f"only these of {' '.join(subject.files)}")
    parser.add_argument("--coverage", action="store_true", help="branch coverage instead of mutants")
    parser.add_argument("--recheck", action="store_true", help="run the mutants listed as equivalent too")
    args = parser.parse_args(words)
    unknown = set(args.files) - set(subject.files)
    if unknown:
        parser.error(f"not among the files: {' '.join(sorted(unknown))}")
    os.chdir(subject.root)
    if args.coverage:
        return covered(subject)
    chosen = replace(subject, files=tuple(args.files) or subject.files)
    return scored(chosen, read_list(listed_path, chosen.files), args.recheck)


def covered(subject: Subject) -> int:
    judge = Judge(replace(subject, too_slow=frozenset()), only_coverage=True)
    judge.run()
    percent = judge.tracer.report(show_missing=True, skip_covered=True)
    print(f"branch coverage {percent:.2f} %, to be 100 %")
    return 0 if percent == 100.0 else 1


def scored(subject: Subject, listed: dict[Key, str], recheck: bool) -> int:
    judge = Judge(subject, told=tell_survivor(listed), believed=frozenset() if recheck else frozenset(listed))
    judge.run()
    print(f"{'file':20} {'mutants':>8} {'noticed':>8} {'same':>8} {'missed':>8} {'score':>8}")
    for file in subject.files:
        print(row(file, [(mutant, fate) for mutant, fate in judge.fates if mutant.path.name == file], listed))
    print(row("all", judge.fates, listed))
    stale = out_of_date(listed, judge.fates)
    for text in stale:
        print(text)
    return 0 if score_percent(judge.fates, listed) >= SCORE_LEAST_PERCENT and not stale else 1


def tell_survivor(listed: dict[Key, str]) -> Callable[[Mutant, Fate], None]:
    """Prints a survivor that nobody has explained as soon as it is found."""

    def told(mutant: Mutant, fate: Fate) -> None:
        if fate not in NOTICED and mutant.key not in listed:
            print(f"{fate.name.lower()}: {text_of(mutant.key)}", flush=True)

    return told


def text_of(key: Key) -> str:
    file, function, change = key
    return f"{file} {function}: {change}"


def read_list(path: Path, files: tuple[str, ...]) -> dict[Key, str]:
    """Mutants that decide as the code does, each with the reason why nobody can notice them."""
    listed: dict[Key, str] = {}
    for entry in tomllib.loads(path.read_text())["equivalent"]:
        for text in entry["mutants"]:
            place, change = text.split(": ", 1)
            file, function = place.split(" ")
            if file in files:
                listed[file, function, change] = entry["reason"]
    return listed


def out_of_date(listed: dict[Key, str], fates: list[tuple[Mutant, Fate]]) -> list[str]:
    there = {mutant.key for mutant, _ in fates}
    survived = {mutant.key for mutant, fate in fates if fate not in NOTICED}
    gone = [f"listed as equivalent, but there is no such mutant: {text_of(key)}" for key in listed if key not in there]
    noticed = [
        f"listed as equivalent, but a test notices it: {text_of(key)}" for key in listed if key in there - survived
    ]
    return gone + noticed


def score_percent(fates: list[tuple[Mutant, Fate]], listed: dict[Key, str]) -> float:
    """Part of the mutants that are noticed, of those that could be."""
    could_be = [fate for mutant, fate in fates if fate in NOTICED or mutant.key not in listed]
    return 100.0 * sum(fate in NOTICED for fate in could_be) / max(1, len(could_be))


def row(name: str, fates: list[tuple[Mutant, Fate]], listed: dict[Key, str]) -> str:
    count = Counter(
        "noticed" if fate in NOTICED else "same" if mutant.key in listed else "missed" for mutant, fate in fates
    )
    parts = [len(fates), count["noticed"], count["same"], count["missed"]]
    return f"{name:20} {' '.join(f'{part:8}' for part in parts)} {score_percent(fates, listed):6.1f} %"
