"""The files of `benches/read.rs`, read by pandas' C engine on one thread.

    BENCH_READ_FILES=FOLDER cargo bench --locked --bench read
    python benches/pandas_read.py FOLDER

Only the table is read, which starts behind three header lines; `read.rs` works the form
out as well. Prints the median and the shortest of many runs.
"""

import io
import pathlib
import statistics
import sys
import time

import pandas as pd

folder = pathlib.Path(sys.argv[1])
for name, separator, decimal in [("plain", ",", "."), ("decimal_comma", ";", ",")]:
    for size, rows, runs in [("16k", 1 << 14, 300), ("1m", 1 << 20, 15)]:
        text = (folder / f"{name}_{size}.csv").read_bytes()
        times = []
        for _ in range(runs):
            start = time.perf_counter()
            table = pd.read_csv(io.BytesIO(text), sep=separator, decimal=decimal, skiprows=3, engine="c")
            times.append(time.perf_counter() - start)
            assert len(table) == rows
        print(f"{name}/{size}: median {statistics.median(times) * 1e3:.3f} ms, shortest {min(times) * 1e3:.3f} ms")
