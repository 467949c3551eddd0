"""Times the offsets of pockets by GEOS (shapely): first by the cutter's radius, then by the stepover until nothing is left, and one
outward offset of the outline. Arguments: radius and stepover in mm. Input: a JSON line a part, {"rings": [outer, island, ...]}.
Each level is simplified within 0.0025 mm, as iterated polygon offsets must be, or their vertices double at every level.
"""
import json
import sys
import time

from shapely.geometry import Polygon, box

radius, step = float(sys.argv[1]), float(sys.argv[2])
parts = [Polygon(r[0], r[1:]) for r in (json.loads(line)["rings"] for line in sys.stdin)]
# Segments a quarter circle that keep within 0.005 mm at these radii.
QUADRANTS = 16
started = time.perf_counter()
levels = 0
for part in parts:
    level = part.buffer(-radius, quad_segs=QUADRANTS)
    while not level.is_empty:
        levels += 1
        level = level.simplify(0.0025).buffer(-step, quad_segs=QUADRANTS)
    box(0, 0, 280, 280).buffer(radius, quad_segs=QUADRANTS)
print(json.dumps({"seconds": time.perf_counter() - started, "levels": levels}))
