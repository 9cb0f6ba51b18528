"""
The 30 instances of Potvin and Bengio: the best order of one trip, the proof, and the processor time of each.

    python tests/benchmarks/long_trips.py
    python tests/benchmarks/long_trips.py rc_204.1 rc_208.3

Rules, figures and their source stand in tests/published/test_tsptw.py, which asserts that each is the record's.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "published"))

from test_tsptw import INSTANCES, SCALE, best_tour


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    asked.add_argument("names", nargs="*", default=sorted(INSTANCES))
    given = asked.parse_args()
    best_tour(INSTANCES["rc_204.3"], waiting_counts=False)  # compiles
    proved, total_s = 0, 0.0
    for name in given.names:
        instance = INSTANCES[name]
        used_s = time.process_time()
        length, _ = best_tour(instance, waiting_counts=False)
        used_s = time.process_time() - used_s
        total_s += used_s
        proved += length > 0
        found = f"{length / SCALE:9.4f} proved" if length > 0 else "not proved      "
        print(
            f"{name} {len(instance['matrix']):3d} nodes, record {instance['travel_time']:>7}: {found} {used_s:6.1f} s",
            flush=True,
        )
    print(f"{proved} of {len(given.names)} proved, {total_s:.0f} s of processor in all")


if __name__ == "__main__":
    main()
