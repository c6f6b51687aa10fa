"""Times `bothends cable` against pandas merely reading the same files, in turns.

    target/release/bothends simulate benches/cable-288.toml --out CABLE
    python benches/side_by_side.py target/release/bothends CABLE/cable-288.toml CABLE/traces

Needs pandas. pandas reads by its C engine in one process a core; both its ways past the lines before
the table are timed, and the faster one counts. Wall time with the start of the processes, the least
of five turns each: what else runs on the machine only ever adds.
"""

import glob
import resource
import subprocess
import sys
import time

PANDAS = """
import glob, os, sys
from multiprocessing import Pool
import pandas

def skip(path):
    return len(pandas.read_csv(path, engine="c", skiprows=int(sys.argv[3])))

def comment(path):
    return len(pandas.read_csv(path, engine="c", comment="#"))

if __name__ == "__main__":
    paths = sorted(glob.glob(sys.argv[1] + "/*"))
    with Pool(os.cpu_count()) as pool:
        print(sum(pool.imap_unordered(globals()[sys.argv[2]], paths, chunksize=8)))
"""
TURNS = 5


def timed(command):
    """Wall and processor seconds of a command."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, check=False)
    wall, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    if not done.stdout:
        sys.exit(f"{command[0]} printed nothing: {done.stderr.decode()}")
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main():
    program, plan, folder = sys.argv[1:4]
    paths = sorted(glob.glob(folder + "/*"))
    with open(paths[0], encoding="utf-8") as file:
        lines = sum(1 for _ in iter(lambda: file.readline().startswith("#"), False))
    read = [sys.executable, "-c", PANDAS, folder]
    commands = {
        "bothends cable": [program, "cable", plan, "--format", "json"],
        "pandas, skiprows": [*read, "skip", str(lines)],
        "pandas, comment": [*read, "comment", "0"],
    }
    least = {name: (float("inf"), float("inf")) for name in commands}
    for _ in range(TURNS):
        for name, command in commands.items():
            least[name] = tuple(map(min, least[name], timed(command)))
    for name, (wall, cpu) in least.items():
        print(f"{name}: {wall:.2f} s, {cpu:.2f} s of processor time, {len(paths)} files")
    of_pandas = min(wall for name, (wall, _) in least.items() if "pandas" in name)
    print(f"bothends / pandas = {least['bothends cable'][0] / of_pandas:.2f}")


main()
