"""What a second process gains a sweep: 64 small cases by one process and by two.

    python benchmarks/sweep.py            about two minutes
    python benchmarks/sweep.py --cases 16

Run it on a quiet machine. The first row also pays for starting the processes, as every sweep does.
"""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path

from simulate.case.case import read_case, with_changes
from simulate.sweep.axes import parse_vary
from simulate.sweep.run import run_sweep

CASE = Path(__file__).parents[1] / "cases" / "press_and_hold.toml"


def seconds(count: int, workers: int, cell: str) -> float:
    case = with_changes(read_case(CASE), {"grid.cell": cell})
    axes = [
        parse_vary(f"stencil.thickness=0.1..0.5 mm:{count // 4}"),
        parse_vary("supply.emf=1.2..2.4 V:4"),
    ]
    began = time.perf_counter()
    swept = run_sweep(case, axes, workers=workers)
    took = time.perf_counter() - began
    assert swept.count("done") == len(swept.rows)
    return took


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=64)
    parser.add_argument("--cell", default="0.1 mm")
    given = parser.parse_args()
    print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    times = {workers: seconds(given.cases, workers, given.cell) for workers in (1, 2)}
    for workers, took in times.items():
        print(f"{workers} process{'es' if workers > 1 else '  '}  {took:7.1f} s")
    print(f"gain {times[1] / times[2]:.2f}")


if __name__ == "__main__":
    main()
