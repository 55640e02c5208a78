"""`python -m tests.coherence [AMP …] [--only report,swap]`: two figures for one thing, if there are any."""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

from tests.amps import EVERY, amp
from tests.coherence.answers import REFUSED, WILD, answers
from tests.coherence.printed import read
from tests.coherence.statements import RULES, Statement, sentences, statements
from tests.say import say

UNSTABLE, CALM = "does not hold still", "steady"


def gathered(name: str, only: tuple[str, ...] = (), used: set[int] | None = None) -> list[Statement]:
    """Everything that is stated about one amp."""
    result: list[Statement] = []
    for by, text in answers(amp(name), only):
        sheets, words = read(text)
        for sheet in sheets:
            result += statements(sheet, by, used if used is not None else set())
        result += sentences(words, by)
        result += [Statement("failure", by, line, by) for line in words if line.startswith("CRASH")]
        wild = any(WILD.search(line) for line in words)
        if wild or not any(line.startswith(REFUSED) for line in words):  # a refusal says nothing of it
            result.append(Statement("stability", "the amp", UNSTABLE if wild else CALM, by))
    return result


def conflicts(statements: Iterable[Statement]) -> list[tuple[Statement, Statement]]:
    """Pairs that state one thing differently: each against the first that states it."""
    by_what: dict[tuple[str, str], list[Statement]] = defaultdict(list)
    for one in statements:
        by_what[one.quantity, one.place].append(one)
    return [(group[0], one) for group in by_what.values() for one in group[1:] if not group[0].agrees(one)]


def main(words: Sequence[str] | None = None) -> int:
    """Print what disagrees; the exit code counts amps with a conflict."""
    parser = argparse.ArgumentParser(prog="python -m tests.coherence")
    parser.add_argument("amps", nargs="*", default=list(EVERY))
    parser.add_argument("--only", default="", help="answers to ask, separated by commas")
    asked = parser.parse_args(words)
    used: set[int] = set()
    bad = 0
    for name in asked.amps:
        result = gathered(name, tuple(filter(None, asked.only.split(","))), used)
        pairs = conflicts(result)
        shared = len({(s.quantity, s.place) for s in result})
        text = ", ".join(f"{by} {n}" for by, n in Counter(s.by.split(" (")[0] for s in result).items())
        say(f"{name}: {len(result)} statements on {shared} things, {len(pairs)} disagree ({text})")
        for one in result:
            if one.quantity == "failure":
                say(f"  {one.by}: {one.shown}")
                bad += 1
        for one, other in pairs:
            say(f"  {one.quantity} of {one.place}: {one.shown} ({one.by}) but {other.shown} ({other.by})")
        bad += bool(pairs)
    if not asked.only and set(asked.amps) == set(EVERY):
        for number in sorted(set(range(len(RULES))) - used):
            say(f"no table met the rule '{RULES[number].title}': headings have changed")
            bad += 1
    return bad


if __name__ == "__main__":
    sys.exit(main())
