"""Reads a layout (JSON: width, length, shapes as rings) and prints what is wrong with it: shapes that overlap or leave the strip.

Shapes may lie in one another by 0.001 mm: ten times what the search takes for touching.
"""
import json
import sys

from shapely import STRtree
from shapely.geometry import Polygon, box

TOUCH_MM = 0.001

layout = json.load(sys.stdin)
shapes = [Polygon(rings[0], rings[1:]) for rings in layout["shapes"]]
strip = box(0, 0, layout["length"], layout["width"]).buffer(TOUCH_MM)
for i, shape in enumerate(shapes):
    if not shape.is_valid:
        print(f"shape {i} is not valid")
    if not strip.covers(shape):
        print(f"shape {i} leaves the strip: {shape.bounds}")
shrunk = [shape.buffer(-TOUCH_MM) for shape in shapes]
tree = STRtree(shrunk)
for i, shape in enumerate(shrunk):
    for j in tree.query(shape, predicate="intersects"):
        if i < j:
            print(f"shapes {i} and {j} overlap by {shape.intersection(shrunk[j]).area:.6f}")
