"""Coverage-guided fuzzing of whatever reads files and streams, for developers: it runs until it finds something.

    pip install '.[fuzz]'
    python -m tests.fuzz.fuzz capture -max_total_time=600

The first word is a target of targets.py; the rest goes to libFuzzer. What it finds it writes as `crash-…` into the
folder that it is run in: mend it, and put the file into corpus/TARGET/, which the tests run.
"""

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["towertap"]):
    from tests.fuzz import targets


def main():
    name, *options = sys.argv[1:]
    start = Path(tempfile.mkdtemp(prefix="towertap-seeds-"))
    for k, data in enumerate(targets.seeds(name)):
        (start / f"seed{k}").write_bytes(data)
    atheris.Setup([sys.argv[0], str(start), *options], lambda data: targets.run(name, data))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
