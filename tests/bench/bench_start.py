"""How long `demo_ctl --help` takes, beside `python -c pass` in the same run. Prints; asserts nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 15


def _median_ms(command: list[str]) -> float:
    times = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        times.append((time.perf_counter() - began) * 1000)
    return statistics.median(times)


def main() -> None:
    bare = _median_ms([sys.executable, "-c", "pass"])
    helped = _median_ms([sys.executable, "-m", "demo_ctl", "--help"])
    print(f"python -c pass       {bare:6.1f} ms")
    print(f"demo_ctl --help      {helped:6.1f} ms   {helped / bare:.2f} times as long")


if __name__ == "__main__":
    main()
