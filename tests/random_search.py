"""The tests that draw examples, with other examples each time: ``python -m tests.random_search --rounds 20``.

The test command draws the same ones each time for one commit (``conftest.py``), so that nobody's run depends on chance.
What chance would find is looked for here: each round is a run of those tests from a seed of its own, which is said, and
repeats the round.
"""

from __future__ import annotations

import argparse
import random
import re
import subprocess
import sys
import time

from tests.shared.places import ROOT


def one_round(seed: int, only: list[str]) -> int:
    """Run the tests that draw examples once, and return how many passed; 0 if one failed or none was there."""
    options = ["-q", "-p", "no:cacheprovider", "-m", "hypothesis", "--hypothesis-profile=random"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *options, f"--hypothesis-seed={seed}", *only],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    passed = re.search(r"(\d+) passed", done.stdout)
    if done.returncode or passed is None:
        sys.stdout.write(done.stdout + done.stderr)
        return 0
    return int(passed[1])


def main() -> int:
    parser = argparse.ArgumentParser(description="Run the tests that draw examples with other examples each time.")
    parser.add_argument("--rounds", type=int, default=5, help="how many runs, each from a seed of its own (default 5)")
    parser.add_argument("--seed", type=int, help="the seed of the first round; drawn if not given")
    parser.add_argument("only", nargs="*", default=["tests"], help="files or tests (default: all)")
    wanted = parser.parse_args()
    first = random.SystemRandom().randrange(10**9) if wanted.seed is None else wanted.seed
    began = time.monotonic()
    for number in range(wanted.rounds):
        seed = first + number
        passed = one_round(seed, wanted.only)
        if not passed:
            sys.stdout.write(
                f"round {number + 1} found something; again: python -m tests.random_search --rounds 1 --seed {seed}\n"
            )
            return 1
        took = time.monotonic() - began
        sys.stdout.write(f"round {number + 1}, seed {seed}: {passed} tests that draw, {took:.0f} s, no failure\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
