"""Thousands of damaged files of each kind that a command reads: none may crash it, hang it or fill the memory.

python -m tests.fuzz.mutated_files --files 2000
"""

import argparse
import os
import random
import signal
import sys
import time

from tests.fuzz import targets

LONGEST_S, HUNG_S = 10, 60
"""Of the processor, and by the clock: the machine may be busy with something else."""
INTERESTING = [
    b"\0",
    b"\xff",
    b"1" * 400,
    b"[" * 999,
    b"\x1b[2J",
    b"NaN",
    b"null",
    b"-1",
    b"1e999",
    b'"',
    b"\xed\xa0\x80",
]


def mutate(rng: random.Random, data: bytes) -> bytes:
    """One to six changes: bits, cuts, repeats, inserts, and parts that moved."""
    made = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 6))):
        at = rng.randrange(len(made) + 1)
        end = min(len(made), at + rng.choice((1, 2, 8, 60, 500)))
        what = rng.randrange(7)
        if what == 0 and at < len(made):
            made[at] ^= 1 << rng.randrange(8)
        elif what == 1 and at < len(made):
            made[at] = rng.randrange(256)
        elif what == 2:
            del made[at:end]
        elif what == 3:
            made[at:at] = made[at:end] * rng.choice((1, 2, 50))
        elif what == 4:
            made[at:at] = rng.choice(INTERESTING)
        elif what == 5:
            made[at:end] = rng.randbytes(end - at)
        else:
            made = made[:at] if rng.random() < 0.3 else made[at:] + made[:at]
    return bytes(made)


def _worked_s() -> float:
    """Processor time of this process and those that it started."""
    return sum(os.times()[:4])


def try_files(name: str, files: int, seed: int = 1) -> float:
    """Run a target on so many; the most processor time that one took, in s. AssertionError names one that failed."""

    def hang(number, frame):
        raise AssertionError(f"{HUNG_S} seconds are over")

    sound, longest_s = targets.seeds(name), 0.0
    before = signal.signal(signal.SIGALRM, hang)
    try:
        for k in range(files):
            rng = random.Random(f"{seed} {name} {k}")
            data = mutate(rng, rng.choice(sound))
            began_s = _worked_s()
            signal.alarm(HUNG_S)
            try:
                targets.run(name, data)
            except BaseException as error:
                (targets.PLACE / "failed").write_bytes(data)
                raise AssertionError(f"{name}, file {k}, kept as {targets.PLACE / 'failed'}: {error!r}") from error
            finally:
                signal.alarm(0)
            longest_s = max(longest_s, _worked_s() - began_s)
    finally:
        signal.signal(signal.SIGALRM, before)
    return longest_s


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("kinds", nargs="*", default=list(targets.TARGETS))
    options = parser.parse_args()
    for name in options.kinds:
        began_s = time.monotonic()
        longest_s = try_files(name, options.files, options.seed)
        took = f"{options.files} files in {time.monotonic() - began_s:.0f} s, the longest {longest_s:.2f} s"
        print(f"{name}: {took}; peak {targets.peak_mb():.0f} MB")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
