"""Prints how fast pandas' C engine reads a trace file, in MiB/s.

Not part of the tests: a yardstick for `benches/read.rs` on the same machine.

    python3 tests/reference/pandas_read.py FILE [SEPARATOR] [DECIMAL]

The header lines with `#` are passed over as comments; the fastest of 30 runs
from memory counts. Needs pandas (tried with 2.x).
"""

import io
import sys
import time

import pandas


def main() -> None:
    name = sys.argv[1]
    separator = sys.argv[2] if len(sys.argv) > 2 else ","
    decimal = sys.argv[3] if len(sys.argv) > 3 else "."
    with open(name, "rb") as file:
        content = file.read()
    fastest = float("inf")
    for _ in range(30):
        began = time.perf_counter()
        table = pandas.read_csv(
            io.BytesIO(content), sep=separator, decimal=decimal, comment="#", engine="c"
        )
        fastest = min(fastest, time.perf_counter() - began)
    rate = len(content) / fastest / 2**20
    print(f"{rate:.1f} MiB/s, {len(table)} rows, pandas {pandas.__version__}")


main()
