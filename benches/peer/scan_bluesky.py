"""2,000 points of a simulated motor and detector, without any delay, by a general-purpose experiment orchestrator.

Prints points a second and peak memory in MiB. Simulated devices of ophyd answer at once, one reading a point.
"""

import resource
import time

from bluesky import RunEngine
from bluesky.plans import scan
from ophyd.sim import det, motor

POINTS = 2000


def main() -> None:
    engine = RunEngine({})
    documents = []
    engine.subscribe(lambda name, document: documents.append(name))
    began = time.perf_counter()
    engine(scan([det], motor, -5, 5, POINTS))
    seconds = time.perf_counter() - began
    if documents.count("event") + documents.count("event_page") == 0:
        raise SystemExit("no point was taken")
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(POINTS / seconds, peak_mib)


main()
